// Package settings keeps the settings of a comparison for those who have to dial
// them in again: as JSON that the next comparison can start from, as a CSV
// table of the devices and settings, as a sheet to print, and as a list of what
// changed since another record.
//
// The JSON record holds everything that a manifest says, as written, and the
// SHA-256 of the files that it names. A record is read by writing it as a
// manifest again (Record.Manifest) and reading that, so that there is one
// understanding of settings and no record can hold what a manifest cannot.
package settings
