package ucum_test

import (
	"fmt"
	"math/big"

	"tidemark/internal/ucum"
)

func ExampleParse() {
	u, _ := ucum.Parse("mL/(24.h)")
	fmt.Println(u.Display())
	_, err := ucum.Parse("mL/24h")
	fmt.Println(err)
	// Output:
	// (milliliter) / (24 * (hour))
	// "mL/24h" is not a UCUM unit: a number must be joined to a unit by "."; use "mL/(24.h)"
}

func ExampleConvert() {
	daily, _ := ucum.Parse("L/d")
	hourly, _ := ucum.Parse("mL/h")
	v, _ := ucum.Convert(big.NewRat(24, 10), daily, hourly)
	fmt.Println(v.RatString(), hourly)
	// Output: 100 mL/h
}

func ExampleToCanonical() {
	u, _ := ucum.Parse("Cel")
	v, base, _ := ucum.ToCanonical(big.NewRat(37, 1), u)
	fmt.Println(ucum.FormatDecimal(v, 4), base)
	// Output: 310.15 K
}

func ExampleCaution() {
	fmt.Println(ucum.Caution("mL/H"))
	fmt.Println(ucum.Caution("mL/24.h"))
	// Output:
	// "H" is the henry: use "h" if that was meant
	// "mL/24.h" divides by "24" alone and multiplies by "h": use "mL/(24.h)" to divide by both
}

func ExampleUnit_Canonical() {
	u, _ := ucum.Parse("dL")
	factor, base, _ := u.Canonical()
	fmt.Println(factor.RatString(), base)
	// Output: 1/10000 m3
}
