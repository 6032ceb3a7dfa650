package ucum

import (
	"regexp"
	"strconv"
	"strings"
)

// What people write for a unit, and the code they mean. The choice of words is
// ours, from common practice in charting; the service measures fluids in a
// clinic, so an ounce is the US fluid ounce unless it is named otherwise.
var meant = map[string]string{
	"cc": "mL", "ccm": "mL", "ccs": "mL", "mls": "mL", "Mls": "mL", "mil": "mL", "mils": "mL", "mll": "mL",
	"ML": "mL", "Ml": "mL", "MLs": "mL",
	"milliliter": "mL", "milliliters": "mL", "millilitre": "mL", "millilitres": "mL",
	"cls": "cL", "centiliter": "cL", "centilitre": "cL",
	"dls": "dL", "deciliter": "dL", "decilitre": "dL",
	"liter": "L", "liters": "L", "litre": "L", "litres": "L", "ltr": "L", "ltrs": "L", "lt": "L", "lit": "L", "ls": "L",
	"mcl": "uL", "UL": "uL", "uLs": "uL", "microliter": "uL", "microliters": "uL", "microlitre": "uL", "microlitres": "uL",
	"oz": "[foz_us]", "ozs": "[foz_us]", "ounce": "[foz_us]", "ounces": "[foz_us]", "floz": "[foz_us]",
	"foz": "[foz_us]", "[foz_uk]": "[foz_br]", "fluidounce": "[foz_us]", "fluidounces": "[foz_us]",
	"cup": "[cup_us]", "cups": "[cup_us]", "pint": "[pt_us]", "pints": "[pt_us]", "quart": "[qt_us]", "quarts": "[qt_us]",
	"gal": "[gal_us]", "gallon": "[gal_us]", "gallons": "[gal_us]",
	"tsp": "[tsp_us]", "teaspoon": "[tsp_us]", "teaspoons": "[tsp_us]", "tbs": "[tbs_us]", "tbsp": "[tbs_us]", "tablespoon": "[tbs_us]",
	"gtt": "[drp]", "gtts": "[drp]", "[gtt]": "[drp]", "drop": "[drp]", "drops": "[drp]", "[drop]": "[drp]", "drp": "[drp]",

	"hr": "h", "hrs": "h", "hour": "h", "hours": "h", "hourly": "h", "H": "h",
	"mins": "min", "minute": "min", "minutes": "min", "mn": "min", "Min": "min",
	"sec": "s", "secs": "s", "second": "s", "seconds": "s",
	"D": "d", "day": "d", "days": "d", "daily": "d", "dy": "d",
	"wks": "wk", "week": "wk", "weeks": "wk",
	"mon": "mo", "mos": "mo", "mth": "mo", "month": "mo", "months": "mo",
	"yr": "a", "yrs": "a", "year": "a", "years": "a", "y": "a",

	"mcg": "ug", "mcgs": "ug", "ugm": "ug", "microgram": "ug", "micrograms": "ug",
	"mgs": "mg", "mgm": "mg", "milligram": "mg", "milligrams": "mg",
	"gm": "g", "gms": "g", "grm": "g", "gram": "g", "grams": "g", "gs": "g",
	"kgs": "kg", "Kg": "kg", "KG": "kg", "kilo": "kg", "kilos": "kg", "kilogram": "kg", "kilograms": "kg",
	"lb": "[lb_av]", "lbs": "[lb_av]", "pound": "[lb_av]", "pounds": "[lb_av]", "[lbs_av]": "[lb_av]", "[lb]": "[lb_av]",

	"meter": "m", "meters": "m", "metre": "m", "metres": "m", "inch": "[in_i]", "inches": "[in_i]", "in": "[in_i]",
	"cms": "cm", "centimeter": "cm", "centimetre": "cm", "mms": "mm", "millimeter": "mm", "millimetre": "mm",
	"fr": "[Ch]", "french": "[Ch]", "charriere": "[Ch]",

	"mmhg": "mm[Hg]", "mm(hg)": "mm[Hg]", "mm[hg]": "mm[Hg]", "torr": "mm[Hg]",
	"cmh2o": "cm[H2O]", "cmh20": "cm[H2O]", "cm[h20]": "cm[H2O]", "cm[h2o]": "cm[H2O]",
	"kpa": "kPa", "pa": "Pa", "psi": "[psi]",
	"degc": "Cel", "[degc]": "Cel", "celsius": "Cel", "centigrade": "Cel", "cel": "Cel",
	"degf": "[degF]", "[degf]": "[degF]", "fahrenheit": "[degF]",

	"iu": "[iU]", "iU": "[iU]", "[iu]": "[iU]", "unit": "{unit}", "units": "{unit}",
	"meq": "meq", "mosm": "mosm", "mmol": "mmol", "mole": "mol", "moles": "mol",
	"percent": "%", "pct": "%", "ppm": "[ppm]", "ppb": "[ppb]", "ppth": "[ppth]",
}

// Characters outside ASCII and ways to write an operator or an exponent.
var plain = strings.NewReplacer(
	"\u00b5", "u", "\u03bc", "u", "\u2113", "L", "\u3396", "mL", "\u3395", "uL", "\u33c4", "cm3", "\u33a4", "cm3",
	"\u00b0C", "Cel", "\u00b0F", "[degF]", "\u2103", "Cel", "\u2109", "[degF]", "\u03a9", "Ohm", "\u2126", "Ohm",
	"\u00b7", ".", "\u22c5", ".", "\u2219", ".", "\u00d7", ".", "\u2215", "/", "\u2044", "/", "\u00f7", "/", "\\", "/",
	"\u2212", "-", "\u2010", "-", "\u2011", "-", "\u2013", "-", "\u207b", "-",
	"\u2070", "0", "\u00b9", "1", "\u00b2", "2", "\u00b3", "3", "\u2074", "4", "\u2075", "5", "\u2076", "6", "\u2077", "7", "\u2078", "8", "\u2079", "9",
	"\u00a0", " ", "\u200b", "", "\ufeff", "", "\x00", "",
)

// Patterns of wrong writing. None may turn one number into another: what is
// unclear is left as it is and stays without a suggestion.
var (
	raised    = regexp.MustCompile(`([0-9])([\x{207b}\x{2070}\x{b9}\x{b2}\x{b3}\x{2074}-\x{2079}]+)`)
	spaces    = regexp.MustCompile(`\s+`)
	around    = regexp.MustCompile(`\s*([./()])\s*`)
	between   = regexp.MustCompile(`([0-9])\s+([A-Za-z\[])`)
	degrees   = regexp.MustCompile(`(?i)\[?\bdeg(?:rees?|\.)?\s*(?:(C)(?:elsius)?|(F)(?:ahrenheit)?)\b\]?`)
	braces    = regexp.MustCompile(`\{[^}]*\}`)
	perWord   = regexp.MustCompile(`(?i)\s+(?:per|an?)\s+`)
	fluidOz   = regexp.MustCompile(`(?i)\b(?:fl|fluid)\.?[\s_]*(?:oz|ounces?)\b\.?`)
	pressure  = regexp.MustCompile(`(?i)\b([mc]m)\s*[\[(]?\s*(hg|h2[o0])\b[\])]?`)
	caret     = regexp.MustCompile(`([A-Za-z\]])(?:\^|\*\*)([+-]?[0-9])`)
	powerTen  = regexp.MustCompile(`^(?:[xX*.]\s*)?10(?:\*\*|[eE*^])([+-]?[0-9]+)`)
	squared   = regexp.MustCompile(`^\(([A-Za-z]+)\)([0-9]+)`)
	token     = regexp.MustCompile(`\[[^\]]*\]|\{[^}]*\}|[./()]|(?:[^./(){}\[\]]|\[[^\]]*\])+`)
	counted   = regexp.MustCompile(`^([0-9]+)([A-Za-z\[].*)$`)
	lone      = regexp.MustCompile(`/([0-9]+)\.([A-Za-z]+)`)
	joinStars = regexp.MustCompile(`([A-Za-z\])])\*([A-Za-z\[(])`)
)

const maxSuggestLen = 80

// Suggest returns the valid code that a common wrong one stands for, and ""
// when there is none. A code that is valid is not wrong, and gets "" too;
// [Caution] has advice on those.
func Suggest(code string) string {
	if code == "" || len(code) > maxSuggestLen {
		return ""
	}
	if _, err := define(code); err == nil {
		return ""
	}
	out := rewrite(code)
	if d, err := define(out); err != nil || d.caution != "" {
		return ""
	}
	return out
}

// rewrite applies what is known of wrong spelling. Its result need not be valid.
func rewrite(code string) string {
	s := raised.ReplaceAllString(code, "$1*$2")
	s = strings.TrimSpace(plain.Replace(s))
	s = fluidOz.ReplaceAllString(s, "[foz_us]")
	s = perWord.ReplaceAllString(s, "/")
	s = pressure.ReplaceAllStringFunc(s, func(m string) string {
		g := pressure.FindStringSubmatch(m)
		if strings.EqualFold(g[2], "hg") {
			return strings.ToLower(g[1]) + "[Hg]"
		}
		return strings.ToLower(g[1]) + "[H2O]"
	})
	s = braces.ReplaceAllStringFunc(s, func(a string) string { return spaces.ReplaceAllString(a, "_") })
	s = degrees.ReplaceAllStringFunc(s, func(m string) string {
		if degrees.FindStringSubmatch(m)[1] != "" {
			return "Cel"
		}
		return "[degF]"
	})
	s = around.ReplaceAllString(s, "$1")
	s = between.ReplaceAllString(s, "$1$2")
	s = strings.TrimRight(strings.Trim(s, `"`), ".")
	s = powerTen.ReplaceAllString(s, "10*$1")
	s = squared.ReplaceAllString(s, "$1$2")
	s = caret.ReplaceAllString(s, "$1$2")
	s = joinStars.ReplaceAllString(s, "$1.$2")

	var b strings.Builder
	div, grouped := false, false
	tokens := token.FindAllString(s, -1)
	if strings.Join(tokens, "") != s {
		return code // a bracket or brace without its partner
	}
	for _, t := range tokens {
		g := counted.FindStringSubmatch(t)
		if g != nil && !strings.HasPrefix(t, "10*") {
			t = g[1] + "." + word(g[2])
			if div && !grouped {
				t = "(" + t + ")"
			}
		} else {
			t = word(t)
		}
		b.WriteString(t)
		div, grouped = t == "/" || div && t == "(", t == "("
	}
	return lone.ReplaceAllString(b.String(), "/($1.$2)")
}

// word gives the code for one written unit, or the word back.
func word(w string) string {
	if m, ok := meant[w]; ok {
		return m
	}
	table := unitTable()
	if _, a, _ := table.resolve(w); a != nil {
		return w
	}
	lower := strings.ToLower(w)
	if m, ok := meant[lower]; ok {
		return m
	}
	switch lower { // the case alone is wrong
	case "ml", "dl", "cl", "ul", "mg", "kg", "ug", "ng", "min", "cm", "mm", "h", "s":
		return lower
	}
	return bracketed(w)
}

// bracketed finds the one code in square brackets that the word would be if it
// had its brackets and the right case, or gives the word back.
func bracketed(w string) string {
	bare := strings.Trim(w, "[]")
	if len(bare) < 3 {
		return w
	}
	found := w
	for code := range unitTable().atoms {
		if inner, ok := strings.CutPrefix(code, "["); ok && strings.EqualFold(strings.TrimSuffix(inner, "]"), bare) {
			if found != w {
				return w
			}
			found = code
		}
	}
	return found
}

// Valid codes that are likely to mean something else to their writer, with the
// unit they are and the code for what was probably meant.
var mistaken = map[string]struct{ is, instead string }{
	"ML":   {"megaliter", "mL"},
	"Ml":   {"megaliter", "mL"},
	"Mg":   {"megagram", "mg"},
	"MG":   {"megagauss", "mg"},
	"Mmol": {"megamole", "mmol"},
	"H":    {"henry", "h"},
	"S":    {"siemens", "s"},
	"C":    {"coulomb", "Cel"},
	"F":    {"farad", "[degF]"},
	"G":    {"gauss", "g"},
	"PA":   {"petaampere", "Pa"},
	"pH":   {"picohenry", "[pH]"},
	"pt":   {"picotonne", "[pt_us]"},
	"ft":   {"femtotonne", "[ft_i]"},
	"Gal":  {"unit of acceleration gal", "[gal_us]"},
}

// Caution returns advice on a code that is valid and likely to mean something
// else than its writer thought, such as mL/H or mL/24.h, and "" for any other
// code.
func Caution(code string) string {
	d, err := lookUp(code)
	if err != nil {
		return ""
	}
	return d.caution
}

// caution walks the parts of d.
func caution(parts []part, d *definition) string {
	for i, p := range parts {
		if p.group != nil {
			if c := caution(p.group, d); c != "" {
				return c
			}
			continue
		}
		if c := p.caution(i, parts, d); c != "" {
			return c
		}
	}
	return ""
}

func (p part) caution(i int, parts []part, d *definition) string {
	var last part // the component before this one
	if i > 0 {
		last = parts[i-1]
	}
	joined := i > 0 && !p.div
	switch m, known := mistaken[p.symbol()]; {
	case known:
		return strconv.Quote(p.symbol()) + " is the " + m.is + ": use " + strconv.Quote(m.instead) + " if that was meant"
	case p.symbol() == "m" && p.div && p.exponent == 1 && d.base == "m2":
		return `"m" is the meter: use "min" if the minute was meant`
	case p.symbol() == "K" && i == 0 && len(parts) > 1 && parts[1].div && d.base == "K.m-3":
		return `"K" is the kelvin: use "10*3" if thousands were meant`
	case joined && p.number != "" && last.number != "":
		return "a dot multiplies, so " + strconv.Quote(last.number+"."+p.number) + " means " + last.number + " times " + p.number +
			": use " + strconv.Quote(last.number+p.number+".10*-"+strconv.Itoa(len(p.number))) + " for the decimal, in parentheses where it divides"
	case joined && last.div:
		start, end := last.offset, p.end()
		return strconv.Quote(d.code) + " divides by " + strconv.Quote(d.code[start:last.end()]) + " alone and multiplies by " + strconv.Quote(d.code[p.offset:end]) +
			": use " + strconv.Quote(d.code[:start]+"("+d.code[start:end]+")"+d.code[end:]) + " to divide by both"
	case p.div && p.exponent < 0 && p.atom != nil && !p.atom.isTen():
		return "dividing by " + strconv.Quote(p.written) + " multiplies by " + strconv.Quote(withExponent(p.symbol(), -p.exponent)) +
			": use " + strconv.Quote("/"+withExponent(p.symbol(), -p.exponent)) + " to divide"
	}
	return ""
}

func (p part) end() int { return p.offset + len(p.written) + len(p.annotation) }

// symbol is the unit of the part without its exponent.
func (p part) symbol() string {
	switch {
	case p.atom == nil:
		return ""
	case p.prefix != nil:
		return p.prefix.code + p.atom.code
	}
	return p.atom.code
}

func (a *atom) isTen() bool { return a.code == "10*" || a.code == "10^" }
