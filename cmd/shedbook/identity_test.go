package main

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Two programs of one size are two where their build IDs differ or, without one,
// anything in them.
func TestAProgramIsKnownByItsContent(t *testing.T) {
	program := func(id, rest string) string {
		note := "\x04\x00\x00\x00" + string(rune(len(id))) + "\x00\x00\x00" + string(goNote) + id
		if id == "" {
			note = ""
		}
		return identityOf(strings.NewReader("\x7fELF" + strings.Repeat("\x00", 60) + note + strings.Repeat("x", 100_000) + rest))
	}
	require.Equal(t, program("abcd/efgh", "one"), program("abcd/efgh", "one"))
	require.NotEqual(t, program("abcd/efgh", "one"), program("abcd/efgi", "one"))
	require.NotEqual(t, program("", "one"), program("", "two"))

	// This very program has the ID that Go's own tool reads in it.
	out, err := exec.Command("go", "tool", "buildid", os.Args[0]).Output()
	require.NoError(t, err)
	if id := bytes.TrimSpace(out); len(id) > 0 {
		require.Equal(t, fmt.Sprintf("%x", sha256.Sum256(id))[:16], programID())
	}
}
