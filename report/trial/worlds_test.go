package trial

import (
	"fmt"
	"maps"
	"os"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// worlds are those to be tried: the open ones, or with TRIAL_KEPT=1 those kept
// back until the model is done.
func worlds() []*world {
	if os.Getenv("TRIAL_KEPT") != "" {
		return []*world{tangle(), belt()}
	}
	all := []*world{minutes(), folk(), rough(), nature(), odds(), blunt()}
	which := regexp.MustCompile(os.Getenv("TRIAL_WORLDS"))
	return slices.DeleteFunc(all, func(w *world) bool { return !which.MatchString(w.name) })
}

// seedAt is what TRIAL_SEED adds to every seed, so that what was tuned on some
// can be told from what others say.
var seedAt = func() uint64 {
	n, _ := strconv.ParseUint(os.Getenv("TRIAL_SEED"), 10, 64)
	return n
}()

func trials() int {
	n, _ := strconv.Atoi(os.Getenv("TRIAL"))
	return n
}

// A fault that a world plants shows: over the years its machine overheats or
// drinks well more than the sound ones beside it. Otherwise nothing could be
// asked of whoever looks for it.
func TestFaultsShow(t *testing.T) {
	show := testing.Verbose() && trials() > 0
	for _, w := range worlds() {
		for _, cause := range slices.Sorted(maps.Keys(w.plants)) {
			sound, ill, hours, fault, lost := 0, 0, 0.0, 0.0, 0.0
			for seed := range uint64(3) {
				y := newYard(w, seed+1, 8, 4, 300)
				for i := range 3 {
					y.rigs[i].fall(cause, began.Add(30*24*time.Hour), 0.8)
				}
				y.days(365)
				for i, m := range y.rigs {
					if i < 3 {
						ill += len(m.log.Overheats)
						fault += m.hours
						lost += m.lost
					} else {
						sound += len(m.log.Overheats)
						hours += m.hours
					}
				}
			}
			says := fmt.Sprintf("%-8s %-17s sound %5.2f, ill %6.2f in 100 h, loses %4.0f mL in 100 h", w.name, cause,
				100*float64(sound)/hours, 100*float64(ill)/fault, 100*lost/fault)
			if show {
				fmt.Println(says)
			}
			more := float64(ill)/fault > 2.5*float64(sound)/hours+0.01
			assert.True(t, more || lost/fault > 6, says)
		}
	}
}
