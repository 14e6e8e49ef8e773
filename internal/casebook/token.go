package casebook

import (
	"crypto/hmac"
	"encoding/base64"
	"encoding/json"

	"google.golang.org/protobuf/proto"
)

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

// question identifies a listing by its method and filters.
func (b *Book) question(method string, filters proto.Message) ([]byte, error) {
	content, err := marshal(filters)
	if err != nil {
		return nil, err
	}
	return b.keyedHash([]byte(method), content)[:tokenQuestionSize], nil
}

// token makes an opaque token; an empty position makes an empty token.
func (b *Book) token(question []byte, position string) (string, error) {
	if position == "" {
		return "", nil
	}
	body, err := json.Marshal(tokenBody{Position: position, Question: question})
	if err != nil {
		return "", err
	}
	mac := b.keyedHash([]byte("token"), body)[:tokenMACSize]
	return base64.RawURLEncoding.EncodeToString(append(mac, body...)), nil
}

// position opens a token of this question; path names the field for the refusal.
func (b *Book) position(path, token string, question []byte) (string, error) {
	if token == "" {
		return "", nil
	}
	foreign := violation(path, "is not a token of this listing; give the one last answered for the same question, or none to begin")
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(raw) <= tokenMACSize {
		return "", foreign
	}
	mac, bodyBytes := raw[:tokenMACSize], raw[tokenMACSize:]
	if !hmac.Equal(mac, b.keyedHash([]byte("token"), bodyBytes)[:tokenMACSize]) {
		return "", foreign
	}
	var body tokenBody
	if json.Unmarshal(bodyBytes, &body) != nil || !hmac.Equal(body.Question, question) {
		return "", foreign
	}
	return body.Position, nil
}

// Seal is token for a question that is asked elsewhere than over the contract.
func (b *Book) Seal(question, position string) (string, error) {
	return b.token(b.sealed(question), position)
}

// Open gives the position that was sealed; not for a token that was made elsewhere
// or for another question.
func (b *Book) Open(question, token string) (position string, ok bool) {
	position, err := b.position("", token, b.sealed(question))
	return position, err == nil && position != ""
}

func (b *Book) sealed(question string) []byte {
	return b.keyedHash([]byte("sealed"), []byte(question))[:tokenQuestionSize]
}

// pageSize gives the number of rows to answer.
func pageSize(asked int32) int {
	const usual, most = 50, 500
	switch {
	case asked <= 0:
		return usual
	case asked > most:
		return most
	}
	return int(asked)
}
