package main

import (
	"io"
	"os"

	"go.uber.org/zap"
	"go.uber.org/zap/buffer"
	"go.uber.org/zap/zapcore"
	"golang.org/x/term"
)

// newLog writes lines a person can follow on a terminal, and JSON elsewhere.
// No line is ever left out: zap's usual sampling would drop equal ones.
func newLog(w io.Writer, asJSON bool) *zap.Logger {
	enc := zap.NewProductionEncoderConfig()
	enc.EncodeTime = zapcore.ISO8601TimeEncoder
	encoder := zapcore.NewJSONEncoder(enc)
	if isTerminal(w) && !asJSON {
		enc = zapcore.EncoderConfig{
			TimeKey: "t", MessageKey: "m", LevelKey: "l",
			EncodeTime:       zapcore.TimeEncoderOfLayout("15:04:05"),
			EncodeLevel:      wordForTrouble,
			ConsoleSeparator: "  ",
		}
		encoder = plainLines{zapcore.NewConsoleEncoder(enc)}
	}
	return zap.New(zapcore.NewCore(encoder, zapcore.AddSync(w), zap.InfoLevel))
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

// plainLines leaves the fields out: the line itself says all a person needs.
type plainLines struct{ zapcore.Encoder }

func (p plainLines) Clone() zapcore.Encoder { return plainLines{p.Encoder.Clone()} }

func (p plainLines) EncodeEntry(e zapcore.Entry, _ []zapcore.Field) (*buffer.Buffer, error) {
	return p.Encoder.EncodeEntry(e, nil)
}
