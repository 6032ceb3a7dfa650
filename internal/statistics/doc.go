// Package statistics owns the figures of FHIR's $stats operation: what each
// code of the observation-statistics code system means for a list of measured
// values, computed exactly. It knows neither resources nor units; a Figure
// says only how its unit follows from that of the values.
//
// All figures are rational numbers. Where a root is taken (the standard
// deviation and the skew) it is good to 60 digits and more.
//
// # Definitions
//
// The code system names statistics and leaves their forms open. Here
//
//   - std-dev and variance are those of a sample, with n−1 below the line, as
//     the NIST Statistical Reference Datasets certify them: the measurements
//     of a period are a sample of a course. They need two values.
//   - skew and kurtosis are the moment ratios m3/m2^(3/2) and m4/m2², with n
//     below the line of every moment (NIST/SEMATECH e-Handbook of Statistical
//     Methods, 1.3.5.11). Kurtosis is not the excess: a normal distribution
//     has 3. They need values that differ.
//   - percentiles, quartiles and quintiles interpolate linearly between the
//     order statistics around (n−1)p: definition 7 of Hyndman and Fan, Sample
//     Quantiles in Statistical Packages, The American Statistician 50 (1996)
//     361–365, which is the default of R, S and NumPy. The median is the
//     quantile of one half.
//   - 4-dev is half of the distance between the quartiles, as the operation's
//     definition says.
//   - regression is ordinary least squares over time in hours from an origin
//     that the caller names: the gradient is per hour, the intercept the value
//     of the line at the origin. It needs two different times.
//
// A figure that is not defined for the values has no value.
package statistics
