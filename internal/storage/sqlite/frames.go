package sqlite

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	_ "embed" // the sample
	"encoding/binary"
	"fmt"
	"slices"
	"sync"

	"github.com/google/uuid"
	"github.com/klauspost/compress/zstd"

	"trigone/internal/storage"
)

// How content lies in a frame. Numbers stand in stores: never change or reuse one.
const (
	codecPlain = 0
	codecZstd  = 1 // a zstd frame whose dictionary is sample 1 and then the base
)

const (
	// chainLength is how many rows the newest answer of a case takes at most: an
	// answer is packed against the one before it, and the first of every chain alone.
	chainLength = 8
	// window holds the sample, an answer and the one before it. A wider one costs more
	// to clear than it saves.
	window = 1 << 20
	// longestContent bounds what a damaged frame can make of memory.
	longestContent = 1 << 28
	// dictionary names the sample with the base in a frame.
	dictionary = 1
)

// sample1 is what a store keeps of an invented case, testdata/cases/saddle-annulus.json, as it
// was when this codec was made: its packed values, its sections without what
// identifies, and last an answer (of recurrence.json). It halves the first answer of a
// case and what is new in a later one, and takes five sixths of a section, which is too
// short to repeat itself. It is never made of a site's cases, and never changed: every frame is read by it. A better one is another file
// and another codec.
//
//go:embed samples/1.zst
var packedSample1 []byte

var sample1 = sync.OnceValue(func() []byte {
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1))
	if err != nil {
		panic(err) // no option of these fails
	}
	defer d.Close()
	content, err := d.DecodeAll(packedSample1, nil)
	if err != nil {
		panic(err) // the program itself is damaged
	}
	return content
})

// encoders with the sample alone, which is indexed once, and with a base behind it.
var aloneEncoders, baseEncoders = sync.Pool{New: newEncoder}, sync.Pool{New: newEncoder}

// decoders with the sample alone: a case is loaded from many short frames.
var aloneDecoders = sync.Pool{New: func() any {
	d, err := newDecoder(sample1())
	if err != nil {
		panic(err) // no option of these fails
	}
	return d
}}

func newDecoder(dict []byte) (*zstd.Decoder, error) {
	return zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(longestContent), zstd.WithDecoderDictRaw(dictionary, dict))
}

func newEncoder() any {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(window),
		zstd.WithEncoderCRC(false), zstd.WithLowerEncoderMem(true), zstd.WithEncoderDictRaw(dictionary, sample1()))
	if err != nil {
		panic(err) // no option of these fails
	}
	return e
}

// encode packs content, against a base if there is one.
func encode(content, base []byte) (codec int, frame []byte, err error) {
	pool := &aloneEncoders
	if len(base) > 0 {
		pool = &baseEncoders
	}
	e := pool.Get().(*zstd.Encoder)
	defer pool.Put(e)
	if len(base) > 0 {
		if err := e.ResetWithOptions(nil, zstd.WithEncoderDictRaw(dictionary, slices.Concat(sample1(), base))); err != nil {
			return 0, nil, err
		}
	}
	frame = e.EncodeAll(content, nil)
	if len(frame) >= len(content) {
		return codecPlain, content, nil
	}
	return codecZstd, frame, nil
}

// decode unpacks what encode packed.
func decode(codec int, frame, base []byte) ([]byte, error) {
	switch codec {
	case codecPlain:
		return frame, nil
	case codecZstd:
	default:
		return nil, fmt.Errorf("a frame of codec %d is not known to this version", codec)
	}
	var d *zstd.Decoder
	if len(base) == 0 {
		d = aloneDecoders.Get().(*zstd.Decoder)
		defer aloneDecoders.Put(d)
	} else {
		var err error
		if d, err = newDecoder(slices.Concat(sample1(), base)); err != nil {
			return nil, err
		}
		defer d.Close()
	}
	content, err := d.DecodeAll(frame, nil)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", storage.ErrDamaged, err)
	}
	return content, nil
}

// answer is an answer as it is written.
type answer struct {
	codec int
	base  int64 // number of the answer it is packed against, 0: none
	hash  []byte
	frame []byte
}

// link is a row of the chain by which an answer is read.
type link struct {
	number int64
	answer
}

// packAnswer packs an answer against the newest of its case. before is the chain of
// that one, itself first; none: it is the first.
func packAnswer(content []byte, before []link) (answer, error) {
	if len(before) >= chainLength {
		before = nil
	}
	return packAgainst(content, before)
}

// packAgainst packs an answer against the one that is read by a chain, if there is any.
func packAgainst(content []byte, before []link) (answer, error) {
	a := answer{hash: hashOf(content)}
	var base []byte
	if len(before) > 0 {
		// A damaged one is no base, and no reason to refuse what comes after it.
		if earlier, err := unpackAnswer(before); err == nil {
			base = earlier
		}
	}
	var err error
	a.codec, a.frame, err = encode(content, base)
	if a.codec == codecZstd && len(base) > 0 {
		a.base = before[0].number
	}
	return a, err
}

// unpackAnswer reads an answer by its chain.
func unpackAnswer(chain []link) (content []byte, err error) {
	for _, l := range slices.Backward(chain) {
		if content, err = decode(l.codec, l.frame, content); err != nil {
			return nil, fmt.Errorf("answer %d: %w", l.number, err)
		}
	}
	if string(hashOf(content)) != string(chain[0].hash) {
		return nil, fmt.Errorf("answer %d: %w", chain[0].number, storage.ErrDamaged)
	}
	return content, nil
}

const (
	chainOf = `
		WITH RECURSIVE first AS (%s), chain AS (
			SELECT a.case_id, a.number, a.codec, a.base, a.hash, a.frame FROM first JOIN answers AS a ON a.id = first.id
			UNION ALL
			SELECT a.case_id, a.number, a.codec, a.base, a.hash, a.frame FROM chain CROSS JOIN answers AS a
			WHERE chain.base > 0 AND a.case_id = chain.case_id AND a.number = chain.base
		) SELECT number, codec, base, hash, frame FROM chain`
	answerOfNumber = `SELECT a.id FROM cases AS c JOIN answers AS a ON a.case_id = c.id WHERE c.site = ? AND c.uid = ? AND a.number = ?`
	answerNewest   = `SELECT a.id FROM cases AS c JOIN answers AS a ON a.case_id = c.id WHERE c.site = ? AND c.uid = ? ORDER BY a.number DESC LIMIT 1`
)

// chain reads the rows of an answer, itself first.
func (s *Store) chain(ctx context.Context, first string, args ...any) (list []link, err error) {
	err = s.each(ctx, fmt.Sprintf(chainOf, first), args, func(row scanner) error {
		var l link
		err := row.Scan(&l.number, &l.codec, &l.base, (*blob)(&l.hash), (*blob)(&l.frame))
		list = append(list, l)
		return err
	})
	return list, err
}

// Answer gives what an evaluation answered.
func (s *Store) Answer(ctx context.Context, site, uid string, number int64) ([]byte, error) {
	chain, err := s.chain(ctx, answerOfNumber, site, uid, number)
	if err != nil {
		return nil, err
	}
	if len(chain) == 0 {
		return nil, storage.ErrNotFound
	}
	return unpackAnswer(chain)
}

// restatedChain reads what a restating says of a case, itself first.
const restatedChain = `
	WITH RECURSIVE chain AS (
		SELECT case_id, 0 AS number, codec, base, hash, frame FROM restated_answers WHERE projection = ? AND case_id = ?
		UNION ALL
		SELECT a.case_id, a.number, a.codec, a.base, a.hash, a.frame FROM chain CROSS JOIN answers AS a
		WHERE chain.base > 0 AND a.case_id = chain.case_id AND a.number = chain.base
	) SELECT number, codec, base, hash, frame FROM chain`

// RestatedAnswer gives what the restating that stands says of a case.
func (s *Store) RestatedAnswer(ctx context.Context, site, uid string) ([]byte, error) {
	var projection, id int64
	if err := s.one(ctx, `SELECT p.id, c.id FROM projections AS p JOIN cases AS c ON c.site = ? AND c.uid = ? WHERE p.name = ? AND p.state = 'standing'`,
		[]any{site, uid, storage.ProjectionRestated}, &projection, &id); err != nil {
		return nil, err
	}
	var chain []link
	if err := s.each(ctx, restatedChain, []any{projection, id}, func(row scanner) error {
		var l link
		err := row.Scan(&l.number, &l.codec, &l.base, (*blob)(&l.hash), (*blob)(&l.frame))
		chain = append(chain, l)
		return err
	}); err != nil {
		return nil, err
	}
	if len(chain) == 0 {
		return nil, storage.ErrNotFound
	}
	content, err := unpackAnswer(chain)
	if err != nil {
		return nil, fmt.Errorf("what was restated: %w", err)
	}
	return content, nil
}

// Metrics gives the values of the newest evaluation, packed.
func (s *Store) Metrics(ctx context.Context, site, uid string) (evaluation int64, packed []byte, err error) {
	var codec int
	var frame []byte
	if err := s.one(ctx, `SELECT m.evaluation, m.codec, m.packed FROM cases AS c JOIN metrics AS m ON m.case_id = c.id WHERE c.site = ? AND c.uid = ?`,
		[]any{site, uid}, &evaluation, &codec, (*blob)(&frame)); err != nil {
		return 0, nil, err
	}
	packed, err = decode(codec, frame, nil)
	return evaluation, packed, err
}

func hashOf(content []byte) []byte {
	sum := sha256.Sum256(content)
	return sum[:]
}

// text is what a comparison has beside its numbers.
type text struct {
	order             int64
	id, discrepancyID string
	message           []byte
}

// packTexts packs the texts of a case's comparisons: each as its order, then the
// length and the bytes of id, discrepancy id and message.
func packTexts(list []text) (codec int, frame []byte, err error) {
	var content []byte
	add := func(s string) {
		content = append(binary.AppendUvarint(content, uint64(len(s))), s...)
	}
	for _, t := range list {
		content = binary.AppendVarint(content, t.order)
		add(t.id)
		add(t.discrepancyID)
		add(string(t.message))
	}
	return encode(content, nil)
}

// unpackTexts gives the texts by the order of their comparison.
func unpackTexts(codec int, frame []byte) (texts map[int64]text, err error) {
	content, err := decode(codec, frame, nil)
	if err != nil {
		return nil, err
	}
	next := func() (s []byte) {
		n, size := binary.Uvarint(content)
		if size <= 0 || n > uint64(len(content)-size) {
			err, content = storage.ErrDamaged, nil
			return nil
		}
		s, content = content[size:size+int(n):size+int(n)], content[size+int(n):]
		return s
	}
	texts = map[int64]text{}
	for len(content) > 0 {
		order, size := binary.Varint(content)
		if size <= 0 {
			return nil, storage.ErrDamaged
		}
		content = content[size:]
		texts[order] = text{order: order, id: string(next()), discrepancyID: string(next()), message: next()}
	}
	return texts, err
}

// uidKey is a uid as the indexes of words have it, in the order of uids: a UUID as
// its 16 bytes, and what stands behind it as it is.
func uidKey(uid string) []byte {
	const long = 36 // a UUID as text
	if len(uid) >= long {
		if id, err := uuid.Parse(uid[:long]); err == nil && id.String() == uid[:long] {
			return append(id[:], uid[long:]...)
		}
	}
	return []byte(uid)
}

// entries are the places of a case in the indexes of a projection.
type entries struct {
	groups []storage.Group
	words  []word
}

// word is an entry of comparison_words.
type word struct{ kind, word int64 }

// Kinds of words.
const (
	wordClass  = 1
	wordMetric = 2
	// wordLead is a lead under which a case has rows in face_rows; it stands in no
	// other table.
	wordLead = 3
)

func classWord(class, verdict int) word { return word{wordClass, int64(class)*8 + int64(verdict)} }

// entriesOf gives the entries of rows, each once.
func entriesOf(rows *storage.Rows) entries {
	var e entries
	seenGroup, seenWord := map[storage.Group]bool{}, map[word]bool{}
	for _, g := range rows.Groups {
		if !seenGroup[g] {
			seenGroup[g] = true
			e.groups = append(e.groups, g)
		}
	}
	add := func(w word) {
		if !seenWord[w] {
			seenWord[w] = true
			e.words = append(e.words, w)
		}
	}
	for i := range rows.Comparisons {
		c := &rows.Comparisons[i]
		if c.Class != 0 {
			add(classWord(c.Class, c.Verdict))
		}
		if c.Metric != 0 {
			add(word{wordMetric, int64(c.Metric)})
		}
	}
	// One order, so that equal entries are equal packed.
	slices.SortFunc(e.words, func(a, b word) int { return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.word, b.word)) })
	slices.SortFunc(e.groups, func(a, b storage.Group) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Word, b.Word)) })
	return e
}

// pack writes entries so that they are found again; nil for none.
func (e entries) pack() []byte {
	if len(e.groups)+len(e.words) == 0 {
		return nil
	}
	out := binary.AppendUvarint(nil, uint64(len(e.words)))
	for _, w := range e.words {
		out = binary.AppendVarint(binary.AppendVarint(out, w.kind), w.word)
	}
	for _, g := range e.groups {
		out = binary.AppendVarint(out, int64(g.Kind))
		out = append(binary.AppendUvarint(out, uint64(len(g.Word))), g.Word...)
	}
	return out
}

func unpackEntries(packed []byte) (e entries, err error) {
	if len(packed) == 0 {
		return e, nil
	}
	damaged := func() (entries, error) {
		return entries{}, fmt.Errorf("index entries of a case: %w", storage.ErrDamaged)
	}
	count, size := binary.Uvarint(packed)
	if size <= 0 {
		return damaged()
	}
	packed = packed[size:]
	for range count {
		kind, n := binary.Varint(packed)
		w, m := binary.Varint(packed[max(n, 0):])
		if n <= 0 || m <= 0 {
			return damaged()
		}
		e.words, packed = append(e.words, word{kind, w}), packed[n+m:]
	}
	for len(packed) > 0 {
		kind, size := binary.Varint(packed)
		if size <= 0 {
			return damaged()
		}
		packed = packed[size:]
		n, size := binary.Uvarint(packed)
		if size <= 0 || n > uint64(len(packed)-size) {
			return damaged()
		}
		e.groups = append(e.groups, storage.Group{Kind: int(kind), Word: string(packed[size : size+int(n)])})
		packed = packed[size+int(n):]
	}
	return e, nil
}

func absentInt(n sql.NullInt64) *int64 {
	if !n.Valid {
		return nil
	}
	return &n.Int64
}

func absentReal(n sql.NullFloat64) *float64 {
	if !n.Valid {
		return nil
	}
	return &n.Float64
}
