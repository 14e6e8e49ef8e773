package sqlite

import (
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"trigone/internal/storage"
)

// Every frame in every store is read by the sample it was made with.
func TestSampleIsNeverChanged(t *testing.T) {
	const was = "b987188cfafb6d042004f2bc3fd952ad9d85ab0543969b05508aeb3f34da853d"
	if got := hex.EncodeToString(hashOf(sample1())); got != was {
		t.Errorf("sample 1 has the hash %s, it was %s: make another file and another codec", got, was)
	}
}

// The newest answer takes at most chainLength rows, of which the last stands alone,
// and a damaged byte anywhere in them is told.
func TestChains(t *testing.T) {
	var chains [][]link
	var before []link
	for n := int64(1); n <= 30; n++ {
		content := []byte(strings.Repeat(fmt.Sprintf("what evaluation %d says of a case; ", n/3), 100))
		a, err := packAnswer(content, before)
		if err != nil {
			t.Fatal(err)
		}
		chain := []link{{n, a}}
		if a.base != 0 {
			if a.base != n-1 {
				t.Fatalf("answer %d is packed against %d", n, a.base)
			}
			chain = append(chain, before...)
		}
		if len(chain) > chainLength || len(chain) != int(n-1)%chainLength+1 {
			t.Errorf("answer %d takes %d rows", n, len(chain))
		}
		if got, err := unpackAnswer(chain); err != nil || string(got) != string(content) {
			t.Errorf("answer %d comes back as another one: %v", n, err)
		}
		before, chains = chain, append(chains, chain)
	}
	for i := range chains[15] {
		for at := range chains[15][i].frame {
			chain := append([]link{}, chains[15]...)
			chain[i].frame = slices.Clone(chain[i].frame)
			chain[i].frame[at] ^= 0x10
			// What is damaged may unpack to the same, but never to something else.
			if got, err := unpackAnswer(chain); err != nil && !errors.Is(err, storage.ErrDamaged) {
				t.Errorf("row %d, byte %d: %v", i, at, err)
			} else if err == nil && string(hashOf(got)) != string(chain[0].hash) {
				t.Errorf("row %d, byte %d: another answer without an error", i, at)
			}
		}
	}
	// A damaged one is no reason to refuse what comes after it.
	broken := append([]link{}, chains[3]...)
	broken[0].hash = make([]byte, 32)
	if a, err := packAnswer([]byte("the next"), broken); err != nil || a.base != 0 {
		t.Errorf("packed against a damaged one: base %d, %v", a.base, err)
	}
}

func TestEntriesComeBack(t *testing.T) {
	rows := storage.Rows{
		Comparisons: []storage.Comparison{{Class: 3, Verdict: 2, Metric: 9}, {Class: 3, Verdict: 2}, {Metric: 700}, {}},
		Groups:      []storage.Group{{Kind: 300, Word: "x"}, {Kind: 1, Word: ""}, {Kind: 300, Word: "x"}},
	}
	want := entriesOf(&rows)
	if len(want.words) != 3 || len(want.groups) != 2 {
		t.Fatalf("entries %+v", want)
	}
	packed := want.pack()
	got, err := unpackEntries(packed)
	if err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%+v come back as %+v, %v", want, got, err)
	}
	for n := 1; n < len(packed); n++ {
		if cut, err := unpackEntries(packed[:n]); err == nil && fmt.Sprint(cut) == fmt.Sprint(want) {
			t.Errorf("cut to %d of %d bytes they are whole", n, len(packed))
		}
	}
}

func TestTextsComeBack(t *testing.T) {
	want := []text{{7, "id", "", []byte("message")}, {-1, "other", "discrepancy", []byte{}}, {9, "", "", []byte(strings.Repeat("long ", 5000))}}
	codec, frame, err := packTexts(want)
	if err != nil {
		t.Fatal(err)
	}
	got, err := unpackTexts(codec, frame)
	if err != nil || len(got) != len(want) {
		t.Fatalf("%d texts, %v", len(got), err)
	}
	for _, w := range want {
		if fmt.Sprint(got[w.order]) != fmt.Sprint(w) {
			t.Errorf("%+v comes back as %+v", w, got[w.order])
		}
	}
}

// Indexes of words are in the order of uids, and a place right behind a uid is one
// behind its key.
func TestKeysAreInTheOrderOfUIDs(t *testing.T) {
	var uids []string
	for _, uid := range []string{
		"00000000-0000-4000-8000-000000000000", "00000000-0000-4000-8000-00000000000a", "0a000000-0000-4000-8000-000000000000",
		"a0000000-0000-4000-8000-000000000000", "ffffffff-ffff-4fff-bfff-ffffffffffff",
	} {
		uids = append(uids, uid, uid+"\x00")
	}
	for i := 1; i < len(uids); i++ {
		if a, b := uidKey(uids[i-1]), uidKey(uids[i]); string(a) >= string(b) || len(b) > 17 {
			t.Errorf("%q has the key %x and %q %x", uids[i-1], a, uids[i], b)
		}
	}
	for _, other := range []string{"", "case-1", "FFFFFFFF-ffff-4fff-bfff-ffffffffffff", strings.Repeat("x", 36)} {
		if string(uidKey(other)) != other {
			t.Errorf("%q has the key %x", other, uidKey(other))
		}
	}
}

// A frame without a base is read by decoders that are kept: what one read leaves
// nothing for the next.
func TestShortFramesComeBack(t *testing.T) {
	for i := range 50 {
		want := sample1()[i*40 : i*40+100+i]
		f, err := framed(want)
		if err != nil || f.codec != codecZstd || len(f.content) >= len(want) {
			t.Fatalf("%d bytes take %d, codec %d, %v", len(want), len(f.content), f.codec, err)
		}
		if got, err := decode(f.codec, f.content, nil); err != nil || string(got) != string(want) {
			t.Errorf("frame %d comes back as another: %v", i, err)
		}
		if _, err := decode(f.codec, f.content[:len(f.content)-1], nil); !errors.Is(err, storage.ErrDamaged) {
			t.Errorf("frame %d cut short: %v", i, err)
		}
	}
}
