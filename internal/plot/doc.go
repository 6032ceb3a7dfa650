// Package plot owns the picture of one drain's course: the rate between
// emptyings, the daily totals with their uncertainty, the trend, the look of the
// fluid, suction and findings over one time axis, as SVG and as PNG.
//
// It draws what other packages worked out and works out nothing itself; it knows
// no store and no clock, and the same course gives the same bytes. Everything is
// told by shape, pattern or words and nothing by colour: the picture is black and
// grey throughout, so that a print or a photocopy at A5 says as much as a screen.
package plot
