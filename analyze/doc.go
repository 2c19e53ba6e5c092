// Package analyze measures a comparison. The way of a comparison through it:
//
//	manifest.Load   the manifest, checked
//	Measure         every file read, hashed, aligned and measured; levels matched
//	Session.Publish the matched audio written, and measured again (package publish)
//	Session.Check   the checks answered
//	Session.Result  everything that is known, as plain data
//
// Page, terminal and files show what is in the Result and nothing else. The
// measurements are in the packages below: loudness, spectrum, noise, align,
// clock, parts, faults, level, steady. Package fairness holds the checks, package
// result what results.json holds, package store what earlier runs made, package again
// what "evenhand verify" measures again. What each check detects, and what limits it,
// is in testdata/detection.md, which the tests compare with the checks.
//
// # Decisions
//
// Time. Everything is placed on one timeline, that of the dry recording. Spans[0]
// is the time that every take covers; the sections follow. Every measure is given
// for each span, over the same music in each take.
//
// Order. Another order of the takes in the manifest gives another order of rows in
// results.json and no other change (TestOrderOfTakes). Without a reference, takes
// are aligned to the first by name; a build onto a report keeps the take that the
// report was aligned to (anchor.go).
//
// Lags. Takes are aligned to the timeline and to the reference. Takes that share a
// cabinet resemble each other more than the dry recording. So their places relative
// to each other come from the reference where that is certain, otherwise by way of
// a third take. The error of a lag against the dry recording (AppliedError) and
// against the other takes (BesideError) are two figures; only the second matters
// when listening.
//
// Adding. A report that is built over an earlier one keeps its target, its time and
// the whole frames by which each unchanged take is shifted. A new take is placed
// next to those (adding.go, keptOrigin, keepPlace). If the dry recording is removed,
// or the reference is the timeline and changes, the earlier times are carried to the
// new timeline by whole frames (Earlier.on). A kept place that is now known to be
// wrong by more than half a frame and two standard errors gets a footnote. The
// player's pieces may still be cut elsewhere: they get shorter from about 9 stereo
// takes on.
//
// Copies. All published files have one depth: 16 bits with dither where the noise in
// every pause covers the dither, otherwise 24 (decideCopies). Later builds keep it. An
// archive has the recordings in full depth, so verify of an archive compares all
// values; verify of a report counts those that 16 bits hide. For the demo they are 4847
// of 25977, most of them bands far below the music, and the report has 43 instead of
// 121 MB.
//
// Loudness is not proportional to gain. The absolute gate of BS.1770 does not move
// with the gain: if a quiet take is raised, more of its pauses count. The match
// therefore solves for the gain (loudness.Measurement.IntegratedAt). Without that,
// one published file of the demo would be 0.04 LU off.
//
// Channels. Two microphones on two channels are measured and published as the blend
// that the manifest states. If some takes have two channels, mono takes count as two
// equal channels, because that is how they are heard.
//
// Contestants (manifest.Contestant) are the takes without the role bypass or room
// that repeat no other take. Sentences rank only them, and medians, edits and
// listening tests use only them. The others are measured and can be played. Answer
// codes number all takes, so answers about the others still count; the tally lists
// them separately.
//
// What is heard. One rule (Audibility) says which third octaves count, and how much.
// Sentences, distances, the five figures of a spectrum and the emphasis of plots use
// it. The weight falls to 0 at its limits, so that no figure jumps when a band starts
// to count. Neither the bit depth, nor noise of −105 dBFS, nor the recorded level
// moves a figure by more than 0.03 dB (TestRanksOfWhatIsHeard).
//
// What counts as a difference. It must exceed chance, judged so strictly that the
// whole page is right in 95 % of cases (see package spectrum). If a take was recorded
// twice, it must also exceed the difference between the two recordings.
//
// Reproducible. The demo's report was the same, byte for byte, on Linux and Windows
// and on amd64 and arm64 (the latter two tried under wine and qemu). Figures are
// stored with no more digits than they support, because an arm64 processor rounds
// once where amd64 rounds twice (x·y+z). Some of the demo's recordings, which are
// synthesised, differ there by a last bit.
//
// # Standards
//
// ITU-R BS.1770-5 (11/2023); EBU Tech 3341 and 3342 (11/2023); IEC 61260-1:2014;
// IEC 61672-1:2013; ITU-R BS.468-4; RIFF/WAVE with EBU Tech 3285 (bext) and 3306
// (RF64), Rec. ITU-R BS.2088 (BW64); RFC 9639 (FLAC); RFC 8493 (BagIt).
package analyze
