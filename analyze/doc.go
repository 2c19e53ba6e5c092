// Package analyze measures a comparison. The way of a comparison through it:
//
//	manifest.Load   the manifest, checked
//	Measure         every file read, hashed, aligned and measured; levels matched
//	Session.Publish the matched audio written, and measured again
//	Session.Check   the checks answered
//	Session.Result  everything that is known, as plain data
//
// What is shown or stored comes from the Result alone. The measurements
// themselves are in the packages below: loudness, spectrum, noise, align,
// clock, faults, level. The files check_*.go hold the questions of fairness,
// remeasure_*.go what `evenhand verify` measures once more.
package analyze
