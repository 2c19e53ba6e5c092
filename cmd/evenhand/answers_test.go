package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strconv"

	"evenhand/analyze/listening"
	"evenhand/report"
)

// answers prints comments with the answer codes of invented readers about the
// report in a folder: of each a preference for every pair, ten
// ABX trials with the first two takes and ratings. Readers
// prefer the take that comes first in three of four answers with a
// preference, have none in one of five, and are right in eight of ten trials.
func answers() {
	err := errors.New("usage: answers REPORT READERS SEED")
	if len(os.Args) == 4 {
		var readers int
		var seed uint64
		if readers, err = strconv.Atoi(os.Args[2]); err == nil {
			if seed, err = strconv.ParseUint(os.Args[3], 10, 64); err == nil {
				err = answersTo(os.Stdout, os.Args[1], readers, seed)
			}
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
}

func answersTo(w io.Writer, dir string, readers int, seed uint64) error {
	res, err := report.Read(dir)
	if err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	rng := rand.New(rand.NewPCG(seed, 1))
	for range readers {
		for _, a := range readerAnswers(rng, res.AudioID(), len(res.Heard())) {
			code, err := listening.Encode(a)
			if err != nil {
				return err
			}
			fmt.Fprintf(out, "my answers: %s, thanks\n", code)
		}
	}
	return out.Flush()
}

// readerAnswers are one reader's answers about a comparison.
func readerAnswers(rng *rand.Rand, id string, takes int) []listening.Answer {
	base := listening.Answer{Comparison: id, Nonce: fmt.Sprintf("%010x", rng.Uint64()>>24), Takes: takes}
	vote := func(first float64) listening.Outcome {
		switch {
		case rng.Float64() < 0.2:
			return listening.Tie
		case rng.Float64() < first:
			return listening.First
		}
		return listening.Second
	}
	p := &listening.Preference{SameTake: rng.IntN(takes), Same: vote(0.5)}
	for range takes * (takes - 1) / 2 {
		p.Pairs = append(p.Pairs, vote(0.75))
	}
	t := &listening.Trials{A: 0, B: 1, Planned: 10, Done: 10}
	for range t.Done {
		if rng.Float64() < 0.8 {
			t.Correct++
		}
	}
	r := &listening.Ratings{Hidden: 88 + rng.IntN(13), Anchor: rng.IntN(30)}
	for i := range takes {
		r.Takes = append(r.Takes, max(0, 80-12*i+rng.IntN(20)))
	}
	out := []listening.Answer{base, base, base}
	out[0].Kind, out[0].Preference = listening.KindPreference, p
	out[1].Kind, out[1].Trials = listening.KindTrials, t
	out[2].Kind, out[2].Ratings = listening.KindRatings, r
	return out
}
