package daemon

import "soakrig/daemon/internal/journal"

// JournalReport is what InspectJournal found in a journal's folder.
type JournalReport = journal.Report

// JournalFile is one file of a JournalReport.
type JournalFile = journal.FileReport

// InspectJournal reads a whole journal and changes nothing, also where a soakd is
// using it, or on another machine. The error says that there is no journal; what is
// damaged is in the report.
func InspectJournal(dir string) (JournalReport, error) { return journal.Inspect(dir) }
