// Package migration holds the book's numbered migrations, oldest first.
package migration

import "embed"

// Files holds NNNN_name.sql; migration N leads from version N-1 to N.
//
//go:embed *.sql
var Files embed.FS
