package model

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
)

// ParseDifference reads a difference of two values, such as a deadband: like
// ParseValue, but "3 K" means 3 degrees and not a temperature near absolute
// zero.
func ParseDifference(text string, want Quantity) (float64, error) {
	u, number, err := writtenUnit(text, want)
	if err != nil {
		return 0, err
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, &UnitError{text, want, "it does not start with a number", "write it as " + example(want)}
	}
	return v * float64(u.num) / float64(u.den), nil
}

// ParseExact reads a written value as ParseValue does, without rounding. It
// takes plain decimals only, no powers of ten.
func ParseExact(text string, want Quantity) (*big.Rat, error) {
	u, number, err := writtenUnit(text, want)
	if err != nil {
		return nil, err
	}
	num, den, err := decimal(number)
	if err != nil {
		return nil, &UnitError{text, want, "it is not a plain decimal", "write it as " + example(want)}
	}
	v := new(big.Rat).SetFrac64(num, den)
	v.Mul(v, new(big.Rat).SetInt64(u.num))
	v.Add(v, new(big.Rat).SetInt64(u.off))
	return v.Quo(v, new(big.Rat).SetInt64(u.den)), nil
}

// UnitResolution returns what turns a number in the named unit into the
// canonical one, zero point included (unlike ParseResolution). It reports
// false when the quantity has no such unit.
func UnitResolution(q Quantity, symbol string) (Resolution, bool) {
	u, ok := findUnit(q, symbol)
	return Resolution{Num: u.num, Den: u.den, Off: u.off}.reduced(), ok
}

// LinearResolution returns the exact relation that reads from as fromMeans and
// to as toMeans, all in canonical units. It fails when the two counts are one,
// or when the fraction does not fit 53 bits, beyond which decoding would round.
func LinearResolution(from, to, fromMeans, toMeans *big.Rat) (Resolution, error) {
	span := new(big.Rat).Sub(to, from)
	if span.Sign() == 0 {
		return Resolution{}, fmt.Errorf("both counts are %s", from.RatString())
	}
	slope := new(big.Rat).Sub(toMeans, fromMeans)
	if slope.Quo(slope, span).Sign() == 0 {
		return Resolution{}, fmt.Errorf("both counts mean the same")
	}
	offset := new(big.Rat).Sub(fromMeans, new(big.Rat).Mul(from, slope))
	// The denominator of both: the least common multiple is not needed, as
	// reduced takes out what they share.
	den := new(big.Int).Mul(slope.Denom(), offset.Denom())
	num := new(big.Int).Mul(slope.Num(), offset.Denom())
	off := new(big.Int).Mul(offset.Num(), slope.Denom())
	g := new(big.Int).GCD(nil, nil, new(big.Int).Abs(num), den)
	g.GCD(nil, nil, g, new(big.Int).Abs(off))
	for _, x := range []*big.Int{num, den, off} {
		if x.Quo(x, g).BitLen() > 53 {
			return Resolution{}, fmt.Errorf("the fraction is too fine to be exact")
		}
	}
	return Resolution{Num: num.Int64(), Den: den.Int64(), Off: off.Int64()}, nil
}

// writtenUnit parts a written value into its number and the unit of the
// quantity wanted.
func writtenUnit(text string, want Quantity) (unit, string, error) {
	number, symbol := splitUnit(text)
	u, ok := findUnit(want, symbol)
	if !ok {
		return unit{}, "", unitMismatch(text, symbol, want)
	}
	return u, number, nil
}
