package light

import "math"

// read judges a straightened core; glow is the light beside it.
func (r *Result) read(core plane, glow float64) error {
	bright, dark := quantile(core.v, 0.997), quantile(core.v, 0.02)
	white := 1 - core.under(0.97, 0, 0, core.w, core.h)
	across, along := core.texture(), core.turned().texture()
	for _, t := range [2]texture{across, along} {
		if t.strength > 0 {
			r.lines++
		}
	}

	if glow > 0.1 && bright < 0.1*glow { // the lamp is on, and only seen past the core
		r.shut(core, glow, across, along)
		return nil
	}
	if glow > 0.1 && bright < 0.25*glow { // dirt that glows all over, or a lamp that lights the core badly
		return refused(TooDark,
			"the brightest of the core has %.0f %% of the light beside it: dirt that shines through, or "+
				"the lamp beside the core; cover what shines past it", 100*bright/glow)
	}
	if bright < 0.03 {
		return refused(TooDark, "the brightest of the core is %.1f %% of white, at least 3 %%: lamp closer, longer "+
			"exposure; where nothing at all shines through, let some light be seen beside the core", 100*bright)
	}
	if white > 0.5 {
		return refused(Overexposed,
			"%.0f %% of the core is plain white, at most 50 %%: expose for the light, not for the "+
				"dark", 100*white)
	}
	strongest := across
	if along.strength > across.strength {
		strongest = along
	}
	switch {
	case strongest.strength > 0 && strongest.skew > 0.2:
		return refused(NoContrast,
			"fins and tubes are light on dark, as when lit from the near side: lamp behind the core, "+
				"and no other light")
	case strongest.strength > 0:
	case bright < 3*dark:
		return refused(NoContrast,
			"light and dark are as 1 to %.1f, and nothing repeats: no lamp behind a core is seen",
			bright/dark)
	case 1-core.under(0.3*bright, 0, 0, core.w, core.h) > 0.15:
		return refused(Blurred, "neither fins nor tubes can be told: hold still, focus on the core, go nearer")
	default:
		r.warn("too little light comes through to tell fins and tubes by")
	}
	if white > 0.25 {
		r.warn("a quarter or more of the core is plain white: thin dirt there may not be seen")
	}
	if bright < 4*dark {
		r.warn("even the darkest of the core has a quarter of the light: keep other light off its near side")
	}
	if r.Found {
		r.warn("no corners were given: the core's outline was guessed from the light; dirt along a whole side would " +
			"be taken for the frame")
	}
	if err := r.estimate(core, across, along); err != nil {
		return err
	}
	if glow < 0.1 && r.Blocked < 10 {
		r.warn("no light is seen beside the core to compare with: dirt that lies evenly over all of it and shines " +
			"through " +
			"would look the same")
	}
	return nil
}

func (r *Result) warn(s string) { r.Warnings = append(r.Warnings, s) }

// shut sets the result for a core without any light through it: what is darker
// than a fifth of the light beside it is blocked. With no open place to compare
// with, the interval is a fixed allowance.
func (r *Result) shut(core plane, glow float64, across, along texture) {
	r.shutOff = true
	x, y := fillWidths(across, along)
	r.Blocked = 100 * core.closed(odd(x), odd(y)).under(0.2*glow, 0, 0, core.w, core.h)
	r.Low, r.High = max(0, r.Blocked-3), min(100, r.Blocked+3)
	r.warn("hardly any light comes through; the lamp is seen beside the core only")
}

// odd returns the nearest odd number of pixels, at least 1.
func odd(v float64) int { return max(1, 2*int(math.Round((v-1)/2))+1) }

// The answer is recomputed with these, besides its own setting (1).
var (
	thresholds = [...]float64{0.75, 1.25} // times Otsu's
	fills      = [...]float64{0.75, 1.3}  // times the filled width
	reaches    = [...]float64{0.5, 2}     // times the reach of a lit place
)

const (
	reach    = 0.16 // of the longer side
	sideways = 0.01 // how far a side may be from its place by the corners, as a share of the core
	// The uncertainty that remains where all of these agree, percent of the face:
	// pixels at the outline of dirt. Less is missed than is added, since filling
	// the fins swallows the smallest dirt. Set so that the interval covers in
	// rendered photographs (testdata/bench/light.txt).
	floorDown, floorUp = 2.0, 2.5
)

// estimate sets Blocked and its interval: its changes under each trial,
// combined as independent errors are (JCGM 100:2008, 5.1.2). Resampling the
// core in blocks would answer another question: its whole face is measured, not
// a sample.
func (r *Result) estimate(core plane, across, along texture) error {
	margin := max(2, min(core.w, core.h)/80) // where the frame may still be visible
	share := func(p plane, level float64) float64 {
		return 100 * p.under(level, margin, margin, p.w-margin, p.h-margin)
	}
	x, y := fillWidths(across, along)
	filled := func(k float64) plane { return core.closed(odd(k*x), odd(k*y)) }

	plain := filled(1)
	flat := flattened(plain, reach)
	level := parted(flat)
	r.Blocked = share(flat, level)
	if r.Found && (flat.ragged(level) || flat.turned().ragged(level)) {
		return refused(NotFound,
			"a side of the light is ragged, as dirt is and a frame is not: give the core's four corners")
	}

	down, up := floorDown*floorDown, floorUp*floorUp
	moves := func(others [2]float64) {
		d, u := min(0, others[0]-r.Blocked, others[1]-r.Blocked), max(0, others[0]-r.Blocked, others[1]-r.Blocked)
		down, up = down+d*d, up+u*u
	}
	var by [2]float64
	for i, k := range thresholds {
		by[i] = share(flat, k*level)
	}
	moves(by)
	for i, k := range fills {
		f := flattened(filled(k), reach)
		by[i] = share(f, parted(f))
	}
	moves(by)
	for i, k := range reaches {
		f := flattened(plain, k*reach)
		by[i] = share(f, parted(f))
	}
	moves(by)
	w, h := flat.w, flat.h
	for _, strip := range [4]float64{
		flat.under(level, 0, 0, w, 2*margin), flat.under(level, 0, h-2*margin, w, h),
		flat.under(level, 0, 0, 2*margin, h), flat.under(level, w-2*margin, 0, w, h),
	} {
		d := sideways * (100*strip - r.Blocked)
		moves([2]float64{r.Blocked - d, r.Blocked + d})
	}
	r.Low, r.High = max(0, r.Blocked-math.Sqrt(down)), min(100, r.Blocked+math.Sqrt(up))
	return nil
}

// What a photograph alone does not tell, as shares of the face; set by the
// errors on rendered cores of many kinds (testdata/bench/light.txt,
// 2026-11-30).
const (
	metalTold   = 0.35 // tubes of a clean core taken for dirt, if fins and tubes were recognised by their pitch
	metalUntold = 0.45 // the same if either was not: thick tubes far apart
	cutOff      = 0.45 // a dark side that guessed corners leave out
)

// widen adds to the interval what a photograph alone does not tell: if tubes
// are taken for dirt, a share b measures as b + (1 - b) metal, and guessed
// corners can leave out a dark side.
func (r *Result) widen() {
	if r.shutOff {
		return
	}
	metal := metalTold
	if r.lines < 2 {
		metal = metalUntold
	}
	r.Low = max(0, (r.Low-100*metal)/(1-metal))
	if r.Found {
		r.High += (100 - r.High) * cutOff
	}
}
