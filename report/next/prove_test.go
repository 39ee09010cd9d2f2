package next

import (
	"testing"
	"time"
)

func TestProof(t *testing.T) {
	for _, w := range Worlds() {
		t0 := time.Now()
		p := Prove(w, 200, 1)
		t.Log("\n"+p.String(), time.Since(t0))
	}
}
