// Package again measures once more what a report says, for whoever wants to check it:
// from its published files (Files), from their sound alone (FromPublished), or from
// those recordings that are there (Present). Figures come back in the form of
// results.json, so that they can be compared with it field by field.
package again
