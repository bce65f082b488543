// Package benchmark measures the service as a whole: how many readings a second it takes beside a bare
// handler on the same durability, and how it bears a log of a million readings and more. It holds no code
// of the service, only tests and what their load generators share: the benchmark in throughput_test.go, and the
// long tests, with the build tag long.
package benchmark
