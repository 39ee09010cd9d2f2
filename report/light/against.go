package light

import (
	"errors"
	"fmt"
	"image"
	"math"
)

// Photograph is a picture with the corners of the core in it; nil corners are
// searched for.
type Photograph struct {
	Image   image.Image
	Corners *[4]Point
}

const (
	grain = 0.05 // of the longer side: light is averaged over this much before two photographs are compared
	// Less than shutBelow of the reference's light counts as none, more than
	// openAbove as all of it: the rest is daylight on the near face, and noise.
	// The two are symmetric about a half, so that the blurred edge of dirt counts
	// as much as a sharp one.
	shutBelow, openAbove = 0.15, 0.85
)

// The uncertainty that remains where all trials agree, percent of the face, set
// on rendered photographs (testdata/bench/light.txt, 2026-11-30).
const againstFloor, againstFoundFloor = 4.0, 6.0

// How much one core may differ between two photographs.
const (
	sameShape = 1.15 // length to width: two angles of view
	samePitch = 1.08 // of fins and tubes
	brighter  = 1.5  // times the reference's light: no place of the core may pass more
	muchOf    = 0.1  // of the face
)

// MeasureAgainst returns how much of a core is blocked by its light relative to
// a photograph of the same core after a thorough clean. Fins and tubes of any
// kind are in both photographs and cancel out.
//
// Each photograph is straightened and its lamp flattened by itself, as in
// Measure. If the two do not look like one core, the reference is not used: the
// result is that of Measure, with its wider interval and a warning. The error
// is *Refused for a photograph that cannot be judged, *BadReference for such a
// reference.
func MeasureAgainst(photo, reference Photograph) (Result, error) {
	clean, err := asReference(reference)
	if err != nil {
		return Result{}, err
	}
	alone, aloneErr := Measure(photo.Image, photo.Corners)
	if aloneErr != nil && !blurredOnly(aloneErr) || alone.shutOff {
		return alone, aloneErr
	}
	o, err := outlined(photo.Image, photo.Corners)
	if err != nil {
		return Result{}, err
	}
	r := o.result()
	r.Warnings = alone.Warnings
	if apart := r.against(o, clean); apart != "" {
		if aloneErr != nil {
			return Result{}, aloneErr
		}
		alone.warn("the reference is not used, it looks like another core or other corners: " + apart)
		return alone, nil
	}
	r.Compared = true
	return r, nil
}

// blurredOnly reports whether an error does not matter with a reference to
// compare with, where fins and tubes need not be told apart.
func blurredOnly(err error) bool {
	var why *Refused
	return errors.As(err, &why) && why.Reason == Blurred
}

// BadReference is the error for a reference that no core can be compared with.
type BadReference struct{ Detail string }

func (b *BadReference) Error() string { return "the reference can't be used: " + b.Detail }

// notClean is the share, percent, above which a core is not clean: what is more
// than this, after the allowance for tubes, is dirt.
const notClean = 20

func asReference(p Photograph) (outline, error) {
	o, err := outlined(p.Image, p.Corners)
	r := o.result()
	if err == nil {
		err = r.read(o.straightened(o.w, o.h), beside(o.p, o.at))
	}
	var why *Refused
	switch {
	case err != nil && o.w > 0 && blurredOnly(err):
		return o, nil
	case errors.As(err, &why):
		return o, &BadReference{why.Detail}
	case err != nil:
		return o, err
	case r.shutOff:
		return o, &BadReference{"hardly any light comes through"}
	}
	if r.widen(); r.Low > notClean {
		return o, &BadReference{fmt.Sprintf("the core is %.0f %% dark in it, more than its tubes can be", r.Blocked)}
	}
	return o, nil
}

// against sets Blocked and its interval by the light relative to the clean
// core, or returns why the two are not one core.
func (r *Result) against(o, clean outline) (apart string) {
	core, ref := o.straightened(o.w, o.h), clean.straightened(o.w, o.h)
	shape := float64(o.w) / float64(o.h) * float64(clean.h) / float64(clean.w)
	if max(shape, 1/shape) > sameShape {
		return fmt.Sprintf("it is %.2f times as long as wide, the reference %.2f times", float64(o.w)/float64(o.h),
			float64(clean.w)/float64(clean.h))
	}
	for _, t := range [2][2]texture{{core.texture(), ref.texture()},
		{core.turned().texture(), ref.turned().texture()}} {
		a, b := t[0].pitch, t[1].pitch
		if !alike(a, b) {
			return fmt.Sprintf("its lines lie %.1f pixels apart, the reference's %.1f", a, b)
		}
	}
	// The lamp can be estimated from the sharp picture or from the averaged one;
	// each fails where the other does not, so their mean is used.
	both := func(grain, reach float64) (blocked, apart, more float64) {
		b1, m1 := relative(core, ref, grain, reach, true)
		b2, m2 := relative(core, ref, grain, reach, false)
		return (b1 + b2) / 2, math.Abs(b1-b2) / 2, min(m1, m2)
	}
	share, half, more := both(grain, reach)
	if more > muchOf {
		return fmt.Sprintf("%.0f %% of it lets more light through than the reference", 100*more)
	}
	r.Blocked = share
	floor, side := againstFloor, sideways
	if o.found || clean.found {
		floor, side = againstFoundFloor, 3*sideways
	}
	down, up := floor*floor+half*half, floor*floor+half*half
	for _, k := range [...][2]float64{{0.5, 1}, {1.6, 1}, {1, reaches[0]}, {1, reaches[1]}} {
		d, _, _ := both(k[0]*grain, k[1]*reach)
		down += math.Pow(min(0, d-share), 2)
		up += math.Pow(max(0, d-share), 2)
	}
	off := 100 * side // a side slightly off includes frame, or leaves out core
	down, up = down+off*off, up+off*off
	r.Low, r.High = max(0, share-math.Sqrt(down)), min(100, share+math.Sqrt(up))
	return ""
}

// alike reports whether two pitches can be of one core. 0 means not found;
// where fins or tubes are hard to see, a multiple of the pitch is found.
func alike(a, b float64) bool {
	if a == 0 || b == 0 {
		return true
	}
	ratio := max(a/b, b/a)
	whole := math.Round(ratio)
	return whole <= 4 && max(ratio/whole, whole/ratio) <= samePitch
}

// relative returns the percentage of the reference's light that the core does
// not let through, and the share of the face where it lets through more than
// the reference. If sharp is set the lamp is flattened before the light is
// averaged, not after.
func relative(core, ref plane, grain, reach float64, sharp bool) (blocked, more float64) {
	n := odd(grain * float64(max(core.w, core.h)))
	flat := func(p plane) plane {
		if sharp {
			return flattened(p, reach).box(n, n)
		}
		return flattened(p.box(n, n), reach)
	}
	p, q := flat(core), flat(ref)
	margin := max(2, min(core.w, core.h)/80)
	var lost, all float64
	count, above := 0, 0
	for y := margin; y < p.h-margin; y++ {
		for x := margin; x < p.w-margin; x++ {
			a, b := float64(p.at(x, y)), float64(q.at(x, y))
			passes := min(max((a/max(b, 1e-6)-shutBelow)/(openAbove-shutBelow), 0), 1)
			lost += b * (1 - passes)
			all += b
			count++
			if a > brighter*b && a > 0.3 {
				above++
			}
		}
	}
	if all == 0 {
		return 0, 0
	}
	return 100 * lost / all, float64(above) / float64(count)
}
