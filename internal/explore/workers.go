package explore

import "iter"

// ahead is how many variants a worker may be ahead of the caller.
const ahead = 16

// outcome is a variant, or that its calculation broke down.
type outcome struct {
	variant Variant
	failed  bool
}

// each gives n variants in order. Worker w calculates every workers-th of them,
// beginning with the w-th, so that order needs no sorting.
func (e *Exploration) each(n int, index func(int) int, workers int) iter.Seq2[int, Variant] {
	workers = max(min(workers, n), 1)
	if workers == 1 {
		return func(yield func(int, Variant) bool) {
			b := e.newBench()
			for i := range n {
				if !yield(i, b.inTurn(index(i))) {
					return
				}
			}
		}
	}
	return func(yield func(int, Variant) bool) {
		stop := make(chan struct{})
		lines := make([]chan outcome, workers)
		for w := range lines {
			lines[w] = make(chan outcome, ahead)
			go e.work(w, workers, n, index, lines[w], stop)
		}
		defer func() {
			close(stop)
			for _, line := range lines {
				for range line { // until the worker has ended
				}
			}
		}()
		for i := range n {
			o := <-lines[i%workers]
			if o.failed {
				// It breaks down here again, where the caller can see it.
				o.variant = e.newBench().inTurn(index(i))
			}
			if !yield(i, o.variant) {
				return
			}
		}
	}
}

func (e *Exploration) work(first, step, n int, index func(int) int, line chan<- outcome, stop <-chan struct{}) {
	defer close(line)
	b := e.newBench()
	for i := first; i < n; i += step {
		select {
		case <-stop:
			return
		default:
		}
		select {
		case line <- b.try(index(i)):
		case <-stop:
			return
		}
	}
}

// try calculates a variant; a breakdown in a goroutine of ours would end the
// whole process.
func (b *bench) try(index int) (o outcome) {
	defer func() {
		if recover() != nil {
			o = outcome{failed: true}
		}
	}()
	return outcome{variant: b.inTurn(index)}
}

// inTurn calculates a variant when it may.
func (b *bench) inTurn(index int) Variant {
	if b.e.Turn != nil {
		defer b.e.Turn()()
	}
	return b.variant(index)
}
