package trend

import "slices"

// Courses of the fluid's appearance.
const (
	Lightening    = "lightening"
	Darkening     = "darkening"
	Unchanged     = "unchanged"
	CourseUnknown = "not known"
)

// AppearanceCourse words the course of the fluid over ranks in the order of
// time: clear and serous 0, serosanguineous 1, sanguineous 2. Fluids without a
// rank (purulent, bilious and so on) are left out by the caller; they are
// findings of their own.
//
// The last reading decides, in this order:
//
//   - darker than the lightest of those before it: darkening, even if the first
//     was as dark, since a fluid that had cleared turns again;
//   - lighter than the first: lightening;
//   - otherwise unchanged.
//
// Fewer than two readings have no course. The rule is ours, unpublished; its
// first part is the comparison on which common practice calls a surgeon.
func AppearanceCourse(ranks []int) string {
	if len(ranks) < 2 {
		return CourseUnknown
	}
	earlier, last := ranks[:len(ranks)-1], ranks[len(ranks)-1]
	switch {
	case last > slices.Min(earlier):
		return Darkening
	case last < earlier[0]:
		return Lightening
	}
	return Unchanged
}
