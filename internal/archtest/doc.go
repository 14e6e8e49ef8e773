// Package archtest holds tests only: who may import whom, that the pure rooms
// stay pure, and that the documents are true. It parses imports in this process:
// a test that asked the go command would be answered from the test cache after a
// forbidden import had been added.
package archtest
