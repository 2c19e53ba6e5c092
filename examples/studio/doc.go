// Package studio synthesises the audio of the example comparisons: a dry
// performance on a baritone guitar, circuits and amplifiers with curves, tone,
// hiss and hum of their own, a cabinet and microphones, and takes with known
// lags, polarities and levels.
//
// Write makes a whole example as files. Performance, Chain and Render are the
// pieces; Session.Truths says what measurements of the takes ought to find, so
// that tests can compare.
//
// Everything is seeded and computed in a fixed order: the same seed gives the
// same samples on every run and with any number of workers.
package studio
