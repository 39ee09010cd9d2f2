package stat

// RunStratum is runs under one set of conditions.
type RunStratum struct {
	Events   int
	Repeats  int     // sum of n(n-1) over runs, n being a run's events
	Exposure float64 // sum of the runs' exposures
	Squares  float64 // sum of their squares
}

// Repeated returns how many times more than Poisson counts the data vary
// because events come several in a run: D, the mean square of the events that
// come together over their mean (a compound Poisson count); 1 if they repeat no
// more than by chance (p >= 0.05).
//
// Long runs have several events by chance. Let q = Squares/Exposure^2, the
// chance that two events of a stratum fall into one run. Then E(Repeats) = q
// m^2 + (D-1) m and E(k(k-1)) = m^2 + (D-1) m, k being the stratum's events and
// m their mean, so that Repeats - q k(k-1) has the mean (D-1)(1-q) m. A stratum
// of one run tells nothing.
func Repeated(strata []RunStratum) float64 {
	var seen, chance, room float64
	for _, s := range strata {
		q := s.Squares / s.Exposure / s.Exposure
		if !(q < 0.999) {
			continue
		}
		k := float64(s.Events)
		seen += float64(s.Repeats)
		chance += q * k * (k - 1)
		room += k * (1 - q)
	}
	if seen <= chance || poissonAtLeast(seen/2, chance/2) >= 0.05 {
		return 1
	}
	return 1 + (seen-chance)/room
}
