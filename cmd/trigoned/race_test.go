//go:build race

package main

// raced: the race detector multiplies memory and time of a program, so that its
// bounds are held without it.
const raced = true
