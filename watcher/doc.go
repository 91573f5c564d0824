// Package watcher takes finished recordings out of an inbox, has them made
// into chapters, and files what comes out, without ever losing a recording.
//
// It knows no audio. What it cannot know itself it asks three functions, Hands.
//
// # The folders are the state
//
// There is no database. What is known about a recording is where it lies:
//
//	inbox/BOOK/NAME.wav                  dropped: waiting until it is all there
//	working/JOB/new/1.wav                claimed: one chapter's batch, one folder
//	working/JOB/plan.json                made: every move to come is written down
//	finished/BOOK/NAME.mp3, NAME.json    published: the report is the mark; of a
//	                                     room test NAME.txt, NAME.json
//	archive/BOOK/NAME.r1.wav             done: a job is done once every raw is here
//	setaside/BOOK/NAME.wav, NAME.json    could not be made; the report says why
//
// Beside them lie
//
//	finished/BOOK/NAME - please read.txt     what she must do, if anything
//	finished/BOOK/listen/NAME.before.mp3     a clip to listen to beside the chapter; it goes
//	                                         with it, and none is kept of earlier revisions
//	finished/BOOK/book.json, book.csv,       what is made of all reports of a book, and
//	  listen.txt, index.html, about.toml     the book's own settings: WriteBookFile
//	finished/BOOK/handover/MOMENT.json, .txt what was handed over when, never overwritten
//	finished/BOOK/diary.txt                  a line for everything that was done: diary.go
//	finished/index.html                      the page over all books
//	finished/BOOK/superseded/NAME.r1.mp3     earlier revisions, with their reports
//	                                         (of a room test NAME.r1.txt)
//	                                         and what was withdrawn: its report says so
//	finished/BOOK/superseded/NAME.found.mp3  what lay under a chapter's name and was not it
//	archive/BOOK/NAME.r1.recipe.json         how a revision was made, of which raws
//	archive/BOOK/shelved.json, .txt          which raws lie on which other disk: Shelve
//	setaside/BOOK/superseded/NAME.1.wav      earlier tries that were set aside
//	.disks.json                              the disks finished and archive lie on, if
//	                                         not the workspace's, for the next start
//
// and in a job's folder
//
//	orig.json    where each raw came from and what it looked like then
//	job.json     the playing order: claimed raws and archived ones
//	lease        who works on it, and a counter that shows the owner lives
//	cleared      set once earlier files of the same names are out of the way
//	N.returned   set before a raw goes back that changed after its chapter was made
//	progress     the share done, for Status
//	tries/       one mark for each try begun, one for each that failed
//
// Memory holds only what was seen of files that still arrive. It may be lost
// at any moment.
//
// # The order of a chapter
//
// Scan (inbox.go), settle (settle.go), batch (batch.go), claim (claim.go),
// work (job.go), publish (publish.go), archive (archive.go) or set aside
// (setaside.go). Every step is durable before the next begins, overwrites
// nothing, and may be repeated: starting again after a crash is the same code.
//
// What a person asks for a finished chapter (ask.go, answer.go) is a job like any
// other, without raws of its own, which another process may begin beside the daemon.
// A finished file is overwritten in one case only (retag.go): by the same sound under
// other words, in one step, if it is still the file that its report tells of.
// Audit and Status only read.
package watcher
