// Package balance owns the arithmetic of volumes: the intervals between the
// emptyings of a drain, what a drain gave in each window of time, how sure those
// figures are, how much of a window they cover, and a patient's fluid balance.
//
// Volumes are exact rational numbers throughout; floating point appears only in
// uncertainties and chances. Every function is pure and gives the same answer for
// the same entries whatever their order, so that a late, corrected or withdrawn
// entry needs no handling of its own: the caller asks again. What a figure means
// (high, low, due, to be reviewed) is the business of other packages, and so is
// where windows begin and end.
//
// # Attribution
//
// Charted counts a volume in the window that contains the time of the emptying,
// as a paper chart adds up (common practice, no published source). Spread shares
// it out evenly over the interval in which it collected; that is an estimate and
// has to be labelled as one. In both, the windows of a partition add up to the
// whole exactly. The two differ on a boundary too: an emptying at the very start
// of a window is charted in that window, although all of it collected before.
//
// # Uncertainty
//
// The standard uncertainty of a reading is (g/2)/√3 for a vessel graduated in
// steps of g (a rectangular distribution: GUM, JCGM 100:2008, 4.3.7) and a/√3
// more, in quadrature, for a vessel's tolerance ±a. A sum has u = √Σuᵢ² (5.1.2)
// and the expanded uncertainty U = 2u (6.2.1), the readings taken as independent.
// A fraction f of a volume has the uncertainty f·u; the windows over which Spread
// shares one reading out are therefore not independent of each other, and their U
// must not be combined again. An instilled volume is taken as exact.
package balance
