// Package verify walks a folder of results, and the raw archive beside it, and
// names everything that is not as it was written: records that are missing,
// changed, doubled or of something else, files whose bytes, schema or constants
// are others, gaps and repetitions in the journal's sequences, in the order of
// frames and in the counters of samples. It can also reduce the raw frames again
// and compare the results. It changes nothing.
//
// What it cannot see by itself is that the newest cuts are gone with everything
// that they had: the journal knows, and serve asks it before it goes on.
package verify
