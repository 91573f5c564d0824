package main

import (
	"bytes"
	"os"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"lectern/pipeline/report"
)

// validReport returns what is wrong with a report by the schema, nil if nothing.
// part names a part of the schema, "" for the report.
func validReport(text []byte, part string) error {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(report.SchemaJSON))
	if err != nil {
		return err
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("schema.json", doc); err != nil {
		return err
	}
	s, err := c.Compile("schema.json" + part)
	if err != nil {
		return err
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return err
	}
	return s.Validate(v)
}

// valid FILE... fails if a file is no report by the schema.
func valid(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: valid FILE...")
	}
	for _, name := range args {
		text, err := os.ReadFile(ts.MkAbs(name))
		ts.Check(err)
		if err := validReport(text, ""); err != nil {
			ts.Fatalf("%s: %v", name, err)
		}
	}
}
