package main

import (
	"io"
	"os"
	"strconv"
	"unicode"
	"unicode/utf8"

	"go.uber.org/zap"
	"go.uber.org/zap/buffer"
	"go.uber.org/zap/zapcore"
	"golang.org/x/term"
)

// fieldWorkspace is the field of a line that tells which workspace it is about, beside
// those that the watcher gives: book, chapter, raws, revision, verdict.
const fieldWorkspace = "workspace"

// newLog writes lines a person can follow on a terminal, and JSON elsewhere, to the journal
// of systemd with the priority before it. No line is ever left out: zap's usual sampling
// would drop equal ones.
func newLog(w io.Writer, asJSON bool) *zap.Logger {
	return zap.New(newLogCore(w, asJSON))
}

func newLogCore(w io.Writer, asJSON bool) zapcore.Core {
	encoder := jsonEncoder(isJournal(w, os.Getenv("JOURNAL_STREAM")))
	if isTerminal(w) && !asJSON {
		encoder = newPlainLines(zapcore.NewConsoleEncoder(zapcore.EncoderConfig{
			TimeKey: "t", MessageKey: "m", LevelKey: "l", NameKey: "n",
			EncodeName:       zapcore.FullNameEncoder,
			EncodeTime:       zapcore.TimeEncoderOfLayout("15:04:05"),
			EncodeLevel:      wordForTrouble,
			ConsoleSeparator: "  ",
		}))
	}
	return zapcore.NewCore(encoder, zapcore.Lock(zapcore.AddSync(w)), zap.InfoLevel)
}

func jsonEncoder(journal bool) zapcore.Encoder {
	enc := zap.NewProductionEncoderConfig()
	enc.EncodeTime = zapcore.ISO8601TimeEncoder
	enc.NameKey = "" // it stands in the field workspace
	return jsonLines{zapcore.NewJSONEncoder(enc), journal}
}

// wordForTrouble marks only what needs attention.
func wordForTrouble(l zapcore.Level, out zapcore.PrimitiveArrayEncoder) {
	if l >= zapcore.WarnLevel {
		out.AppendString("!")
	} else {
		out.AppendString(" ")
	}
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// plainLines leaves the fields out, those that a log is given for all its lines too: the line
// itself says all a person needs.
type plainLines struct {
	zapcore.Encoder                 // takes the fields
	bare            zapcore.Encoder // never gets any
}

func newPlainLines(bare zapcore.Encoder) plainLines { return plainLines{bare.Clone(), bare} }

func (p plainLines) Clone() zapcore.Encoder { return plainLines{p.Encoder.Clone(), p.bare} }

func (p plainLines) EncodeEntry(e zapcore.Entry, _ []zapcore.Field) (*buffer.Buffer, error) {
	return p.bare.EncodeEntry(e, nil)
}

// jsonLines writes JSON that shows on any screen as what it is: a character of a file's
// name that would move a cursor or turn the writing around is escaped. With journal the
// line's priority comes first.
type jsonLines struct {
	zapcore.Encoder
	journal bool
}

func (j jsonLines) Clone() zapcore.Encoder { return jsonLines{j.Encoder.Clone(), j.journal} }

// lines hands out the buffers of jsonLines.
var lines = buffer.NewPool()

func (j jsonLines) EncodeEntry(e zapcore.Entry, fields []zapcore.Field) (*buffer.Buffer, error) {
	made, err := j.Encoder.EncodeEntry(e, fields)
	if err != nil {
		return nil, err
	}
	defer made.Free()
	line := lines.Get()
	if j.journal {
		line.AppendString(priority(e.Level))
	}
	escape(line, made.Bytes())
	return line, nil
}

// priority is how a line of this level begins for the journal: sd-daemon(3).
func priority(l zapcore.Level) string {
	switch {
	case l >= zapcore.DPanicLevel:
		return "<2>" // critical
	case l == zapcore.ErrorLevel:
		return "<3>"
	case l == zapcore.WarnLevel:
		return "<4>"
	case l == zapcore.InfoLevel:
		return "<6>"
	}
	return "<7>" // debug
}

// escape copies one line of JSON. What is not ASCII in it stands in its strings, and may
// be written as \u there (RFC 8259, section 7); zap itself escapes what is below 32.
func escape(to *buffer.Buffer, line []byte) {
	for len(line) > 0 {
		r, width := utf8.DecodeRune(line)
		switch {
		case r < 0x7f, r != utf8.RuneError && unicode.IsPrint(r):
			to.AppendBytes(line[:width])
		case r > 0xffff:
			r -= 0x10000 // a surrogate pair
			appendEscaped(to, 0xd800+r>>10)
			appendEscaped(to, 0xdc00+r&0x3ff)
		default:
			appendEscaped(to, r)
		}
		line = line[width:]
	}
}

func appendEscaped(to *buffer.Buffer, r rune) {
	digits := strconv.FormatInt(0x10000+int64(r), 16)[1:]
	to.AppendString(`\u` + digits)
}
