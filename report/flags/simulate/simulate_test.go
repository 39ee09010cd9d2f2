package simulate

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestASoundFleetOverheatsAsOftenAsItsRateSays(t *testing.T) {
	hours, hot := 0.0, 0
	for seed := range uint64(12) {
		fleet, planted := Busy().Fleet(seed)
		require.Empty(t, planted)
		for i := range fleet.Logs {
			for k := range fleet.Logs[i].Runs {
				h, ok := fleet.Logs[i].Runs[k].Duration()
				require.True(t, ok)
				hours += h
			}
			hot += len(fleet.Logs[i].Overheats)
		}
	}
	require.InDelta(t, 12*40*590, hours, 0.1*12*40*590)
	require.InDelta(t, 0.3, 100*float64(hot)/hours, 0.04) // Busy's Rate; 850 overheats give a standard error of 0.01
}

// What is poured in is what leaked, seeped, settled and boiled over.
func TestALeakIsToppedUp(t *testing.T) {
	w := Busy()
	w.Fault, w.Faulty, w.RefillsYear, w.ThoroughDays = "steady-loss", 20, 0, 1e9
	fleet, planted := w.Fleet(3)
	poured, leaked := 0.0, 0.0
	for _, p := range planted {
		leaked += p.Size * p.AfterOnsetH
		for i := range fleet.Logs {
			if l := &fleet.Logs[i]; l.Machine.Name == p.Name {
				for k := range l.TopUps {
					poured += l.TopUps[k].Volume.V
				}
				for k := range l.Overheats {
					poured -= l.Overheats[k].Lost.V
				}
			}
		}
	}
	require.Len(t, planted, 20)
	require.InDelta(t, 1, poured/leaked, 0.15)
}

func TestEveryRecordIsValid(t *testing.T) {
	w := Small()
	w.MeterError, w.MissRun, w.MissField, w.Spills, w.Clusters, w.Services = 0.02, 0.2, 0.2, 0.1, 0.2, 0.5
	w.Fault, w.Faulty = "trapped-air", 2
	fleet, _ := w.Fleet(5)
	for i := range fleet.Logs {
		l := &fleet.Logs[i]
		for k := range l.Runs {
			require.NoError(t, l.Runs[k].Validate())
			require.False(t, k > 0 && l.Runs[k].At.Before(l.Runs[k-1].At))
		}
		for k := range l.Overheats {
			require.NoError(t, l.Overheats[k].Validate())
			require.False(t, k > 0 && l.Overheats[k].At.Before(l.Overheats[k-1].At))
		}
		for k := range l.TopUps {
			require.NoError(t, l.TopUps[k].Validate())
			require.False(t, k > 0 && l.TopUps[k].At.Before(l.TopUps[k-1].At))
		}
		for k := range l.Refills {
			require.NoError(t, l.Refills[k].Validate())
			require.False(t, k > 0 && l.Refills[k].At.Before(l.Refills[k-1].At))
		}
	}
}

func TestTheSameSeedMakesTheSameFleet(t *testing.T) {
	a, _ := Small().Fleet(9)
	b, _ := Small().Fleet(9)
	c, _ := Small().Fleet(10)
	require.Equal(t, a, b)
	require.NotEqual(t, a.Logs[0].Runs, c.Logs[0].Runs)
}
