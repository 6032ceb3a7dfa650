// Package ucum reads units of measure written in the case-sensitive codes of
// UCUM 2.2 and converts quantities between them.
//
// It owns the grammar, the unit table, commensurability, conversion, the
// spoken form of a unit, and advice on codes that are wrong or are likely to
// mean something else than their writer thought. It owns no quantity type and
// no clinical rule, and it knows nothing of FHIR resources.
//
// # Exactness
//
// A value is a rational number and every conversion between ratio units and
// the three temperature scales is exact. [pi] is the decimal that the table
// states. Logarithmic and trigonometric units (pH, bel, neper, bits, slopes)
// go through a float64 and are good to about fifteen digits unless the result
// is a whole power or the two units share one function and one reference, as
// dB and B do; [Unit.Exact] tells the two kinds apart.
//
// # Readings of the specification
//
// Where the specification leaves room, this package decides so:
//
//   - An annotation on a number (1{c}), an empty annotation, a zero exponent
//     and leading zeros are accepted. The first is outside the published
//     grammar and is required by the UCUM functional tests.
//   - A special unit may be scaled by a number (mCel, 2.Cel) and is refused in
//     any other algebra (Cel/h, Cel2). Zero and division by zero are refused.
//   - An arbitrary unit converts to nothing but itself: not [iU] to [arb'U],
//     and not k[iU] to [iU], since whether its scale is linear depends on the
//     procedure that defines it.
//   - mol is the number that the table states, so a plain number and an amount
//     of substance are formally commensurable.
//   - A code longer than 200 bytes, nested deeper than 64 parentheses, with an
//     exponent beyond 300 or a factor beyond about 10^2400 is refused, so that no
//     input costs more than a moment.
package ucum
