package book

import _ "embed"

// SchemaJSON is the JSON Schema (draft 2020-12) of a Book and of a Handover. What it says
// of figures it takes from the report's schema, urn:lectern:report:1.
//
//go:embed book.schema.json
var SchemaJSON []byte
