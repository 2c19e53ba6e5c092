// Package templates holds the files of the report page: HTML templates, the
// style sheets and the scripts of the player and the blind tests. The folder preview
// has what is added to the page of a preview. There is no logic in Go.
//
// # The player
//
// The player consists of classic scripts without a build step, which share one
// global object, Evenhand. A browser loads them when they are needed:
//
//	at the start        sound.js (files, decoding), listen-data.js
//	                    (written by report/player.go), listen.js; below 35 kB
//	                    (TestStartWeight)
//	with a touch or key deck.js (what sounds), hand.js (keys, levels, and the bar at
//	                    the foot of the page)
//	from a disk         disk.js
//	without ranges      whole.js
//	equalised           equal.js, and of each pair the filter (analyze/equalise)
//	with a blend        listen-more.js (hashes and blends), blends.js
//	with a blind test   hash.js, statistics.js, answers.js, meter.js, blind.js,
//	                    tests.js
//	with the check      listen-more.js, hash.js, meter.js, recheck.js
//
// All takes play at once, each through its own gain; a switch moves the gains along
// exponentials of 2 ms. Pieces of at most 20 s begin at the same frames in all takes, and
// the first is at most 4.5 s long; two are in memory at a time (61 MB for eight mono
// takes). A piece is a range of the bytes of the take's one published file, which is
// fetched over http; the page puts a stream header before it. A host that gives no
// ranges, or packs what it sends, is asked for the whole file, and the page says so
// (TestRangesDecodeAlike, TestHostsWithoutRanges). From a disk a piece comes as a script
// with its bytes in base64. Each take has a second gain for the match by section
// (report/bysection.go), which changes at the sections' frames. Nothing needs a secure context. Published takes are
// shifted by whole frames. The remaining half sample at most does not matter, since
// takes are mixed only for the few milliseconds of a switch.
//
// Until the chosen take sounds, its first piece and then its next come, one request at a
// time; then the same pieces of the others. On a link that is slower than the sound of
// all takes, and for who saves data, others than the chosen take and the two before it
// wait until a reader asks for all.
//
// A take equalised to another one is one voice more, made piece by piece in the page:
// the convolution of the published take with its filter, without delay, the same in every
// browser (TestEqualisedInEveryEngine). What is left is the other take less that voice, in
// the graph. Neither is part of a blind test, and neither starts while one runs
// (TestEqualised).
//
// Keys: digits choose takes, brackets choose sections, and initials of words on the
// controls do the rest. Letters that people know from editing video (J, K, L, M, I,
// O) do nothing, and arrows are left to controls. Keys work while the focus is in the
// player or its bar at the foot of the page. A switch, off at first, extends all but
// Space to the whole page (WCAG 2.2, 2.1.4).
//
// In a blind test the key, which says what is what, is drawn and sealed before the
// start, everything is loaded before the first answer, whatever the key, and takes are
// matched over the section. An answer counts only after listening. The dull anchor is a linear-phase
// low-pass after BS.1534-3 (3.5 kHz). Package analyze/listening describes the answer
// code.
//
// # The plots
//
// plots.js draws the chosen take in colour and the rest grey: every element with the
// attribute data-pick belongs to the take of that number. It reads values from the table
// that is folded below each plot, and so needs no data of its own. Without it all lines
// are in colour, and the take that differs most is the one in the wide plot of
// differences.
// On wide screens that plot is shown once more next to the chosen take's panel, by a
// reference to it. On paper all lines are in colour.
//
// # The player and the plots
//
// The player and plots.js know nothing of each other. They speak by events on the
// document, all of whose names begin with "evenhand:". With one of the two missing the
// other works alone. None is sent or followed during a blind test.
//
//	take   the slug of a take: whoever chooses one tells it, and whoever hears
//	       it follows
//	time   seconds from the start of the performance: where the player is; at
//	       each step of its clock while it plays, and when it moves
//	seek   seconds: the player is asked to go there
//	play   the player is asked to play
//
// Tests run the player in Chromium, Firefox and the GTK port of WebKit. It was never
// heard in Safari or on a real phone: the ring switch and the first touch are handled
// as their documentation says, but untested.
package templates

import "embed"

//go:embed *.html *.css *.js preview
var files embed.FS

// Files returns the template files.
func Files() embed.FS { return files }
