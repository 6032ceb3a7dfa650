// Package plot owns the picture of one drain's course: the rate between
// emptyings, the daily totals with their uncertainty, the trend, the look of the
// fluid, suction and findings over one time axis, as SVG and as PNG.
//
// It draws what other packages have calculated and calculates nothing itself. It
// uses no store and no clock, and the same course gives the same bytes. Shapes,
// patterns and words carry all meaning, never colour: the picture is black and
// grey, so a print or a photocopy at A5 shows as much as a screen.
package plot
