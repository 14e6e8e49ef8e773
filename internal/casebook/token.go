package casebook

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"

	"google.golang.org/protobuf/proto"
)

// Tokens makes and opens the tokens of pages and cursors of one site, or of a list over
// several, under the store's secret.
type Tokens struct {
	secret  []byte
	site    string // those of several are parted by a space, which no name of a site has
	several bool
}

// tokenBody is what a page token carries: the position, and a hash of the
// question it belongs to, so that it cannot be used with another.
type tokenBody struct {
	Position string `json:"p"`
	Question []byte `json:"q"`
}

const (
	tokenMACSize      = 16
	tokenQuestionSize = 12
)

// Question identifies a listing by its method and filters, at this site; behind that
// without the site, as cursors say it that were given when a store kept one site only,
// which are none of several sites.
func (t Tokens) Question(method string, filters proto.Message) ([]byte, error) {
	content, err := marshal(filters)
	if err != nil {
		return nil, err
	}
	here, before := t.KeyedHash([]byte(method), content, []byte(t.site)), t.KeyedHash([]byte(method), content)
	if t.several {
		before = here
	}
	return append(here[:tokenQuestionSize:tokenQuestionSize], before[:tokenQuestionSize]...), nil
}

// Token makes an opaque token; an empty position makes an empty token.
func (t Tokens) Token(question []byte, position string) (string, error) {
	if position == "" {
		return "", nil
	}
	body, err := json.Marshal(tokenBody{Position: position, Question: question[:tokenQuestionSize]})
	if err != nil {
		return "", err
	}
	mac := t.KeyedHash([]byte("token"), body)[:tokenMACSize]
	return base64.RawURLEncoding.EncodeToString(append(mac, body...)), nil
}

// Position opens a token of this question; path names the field for the refusal.
func (t Tokens) Position(path, token string, question []byte) (string, error) {
	if token == "" {
		return "", nil
	}
	foreign := RefuseField(path, "is not a token of this listing; give the one last answered for the same question, or none to begin")
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(raw) <= tokenMACSize {
		return "", foreign
	}
	mac, bodyBytes := raw[:tokenMACSize], raw[tokenMACSize:]
	if !hmac.Equal(mac, t.KeyedHash([]byte("token"), bodyBytes)[:tokenMACSize]) {
		return "", foreign
	}
	var body tokenBody
	if json.Unmarshal(bodyBytes, &body) != nil ||
		!hmac.Equal(body.Question, question[:tokenQuestionSize]) && !hmac.Equal(body.Question, question[tokenQuestionSize:]) {
		return "", foreign
	}
	return body.Position, nil
}

// Seal is Token for a question that is asked elsewhere than over the contract.
func (t Tokens) Seal(question, position string) (string, error) {
	return t.Token(t.sealed(question), position)
}

// Open gives the position that was sealed; not for a token that was made elsewhere
// or for another question.
func (t Tokens) Open(question, token string) (position string, ok bool) {
	position, err := t.Position("", token, t.sealed(question))
	return position, err == nil && position != ""
}

func (t Tokens) sealed(question string) []byte {
	return t.KeyedHash([]byte("sealed"), []byte(question), []byte(t.site))[:tokenQuestionSize]
}

// PageSize gives the number of rows to answer.
func PageSize(asked int32) int {
	const usual, most = 50, 500
	switch {
	case asked <= 0:
		return usual
	case asked > most:
		return most
	}
	return int(asked)
}

// KeyedHash identifies content without keeping it.
func (t Tokens) KeyedHash(parts ...[]byte) []byte {
	mac := hmac.New(sha256.New, t.secret)
	for _, p := range parts {
		mac.Write(p)
		mac.Write([]byte{0})
	}
	return mac.Sum(nil)
}
