package fhirmap_test

import (
	"testing"

	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
)

// Source of the expected tree: the library's own way of encoding.
func TestOnePassEqualsTheLibrarysEncoding(t *testing.T) {
	for _, example := range fhirtest.Examples() {
		if same, err := fhirmap.SameTreeAsNaive(example.History); err != nil || !same {
			t.Errorf("%s: same tree %v, %v", example.Name, same, err)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		if same, err := fhirmap.SameTreeAsNaive(fhirtest.Draw(t)); err != nil || !same {
			t.Fatalf("same tree %v, %v", same, err)
		}
	})
}

// FuzzEncodeHistory looks for a history whose two encodings differ.
func FuzzEncodeHistory(f *testing.F) {
	f.Fuzz(rapid.MakeFuzz(func(t *rapid.T) {
		if same, err := fhirmap.SameTreeAsNaive(fhirtest.Draw(t)); err != nil || !same {
			t.Fatalf("same tree %v, %v", same, err)
		}
	}))
}

// BenchmarkTransaction is the whole way from snapshot to bytes.
func BenchmarkTransaction(b *testing.B) {
	h := fhirtest.Complete()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := fhirmap.Transaction(h); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkEncode prints, beside the time in one pass, how many times longer the
// library's own way takes on the same resources, medians of one run. Promised: 8.
func BenchmarkEncode(b *testing.B) {
	onePass, naive, err := fhirmap.Encoders(fhirtest.Complete())
	if err != nil {
		b.Fatal(err)
	}
	must := func(f func() ([]byte, error)) func() {
		return func() {
			if _, err := f(); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		must(onePass)()
	}
	const pairs = 301
	fast, slow := fhirmap.Median(pairs, must(onePass)), fhirmap.Median(pairs, must(naive))
	b.ReportMetric(float64(slow)/float64(fast), "naive/onepass")
}
