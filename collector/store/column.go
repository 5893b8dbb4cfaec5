package store

import (
	"encoding/binary"
	"math"

	"tickover/model"
)

// The forms a column of values may take. The writer takes the first that
// gives every value back bit for bit.
const (
	formCounts  = iota // counts of the point's resolution
	formScaled         // counts of the resolution times a power of ten (one signed byte)
	formDecimal        // counts over a power of ten (one byte), rounded to float32, then converted
	formSingle         // float32 bit patterns, then converted
	formBits           // float64 bit patterns as integers
	formRaw            // float64 bit patterns, eight bytes each, little-endian
	forms

	formStatus = 0x80 // flag: runs of quality and cause follow
)

// status is Quality in the high byte and Cause in the low one.
type status uint16

const statusGood = status(model.Good) << 8

// statusZero marks in a run that the values are +0 and not in the column.
const statusZero = 1 << 16

func statusOf(s model.Sample) status { return status(s.Quality)<<8 | status(s.Cause) }

func (s status) apply(to *model.Sample) {
	to.Quality, to.Cause = model.Quality(s>>8), model.Cause(s&0xff)
}

// scale is how one point's counts become values. It comes from the point's
// register; the zero value is for a point nobody described.
type scale struct {
	model.Resolution
	float bool // the register is a float, so Resolution converts a unit only
}

func scaleOf(p model.Point) scale {
	t := p.Register.Type
	return scale{p.Register.Resolution, t == model.Float32 || t == model.Float64}
}

func (s scale) known() model.Resolution {
	if !s.Known() {
		return model.Resolution{Num: 1, Den: 1}
	}
	return s.Resolution
}

// times returns the resolution times ten to the power e, and false when that
// does not fit.
func (s scale) times(e int8) (model.Resolution, bool) {
	r := s.known()
	for ; e > 0; e-- {
		r.Num *= 10
	}
	for ; e < 0; e++ {
		r.Den, r.Off = r.Den*10, r.Off*10
	}
	const most = 1 << 53 // integers up to here are exact as float64
	fits := r.Den > 0 && r.Den < most && -most < r.Num && r.Num < most && r.Num != 0
	return r, fits
}

// convert applies the unit conversion of a float register.
func (s scale) convert(x float64) float64 {
	if !s.Known() {
		return x
	}
	return float64(float64(x*float64(s.Num))+float64(s.Off)) / float64(s.Den)
}

func (s scale) invert(v float64) float64 {
	if !s.Known() {
		return v
	}
	return float64(float64(v*float64(s.Den))-float64(s.Off)) / float64(s.Num)
}

// packColumn appends one point's column.
func packColumn(out []byte, s scale, values []float64, states []status) []byte {
	runs, filled := packStatus(values, states)
	flag := byte(0)
	if runs != nil {
		flag = formStatus
	}
	body := packValues(s, filled)
	if back, err := unpackValues(body, s, len(filled)); err != nil || !sameBits(back, filled) {
		body = packRaw(filled)
	}
	out = append(out, body[0]|flag)
	out = append(out, runs...)
	return append(out, body[1:]...)
}

func sameBits(a, b []float64) bool {
	for i := range a {
		if math.Float64bits(a[i]) != math.Float64bits(b[i]) {
			return false
		}
	}
	return len(a) == len(b)
}

// packValues returns a form byte and the values in that form.
func packValues(s scale, values []float64) []byte {
	if !s.float && s.Known() {
		if counts, ok := toCounts(values, s.known().Counts); ok {
			return packInts([]byte{formCounts}, counts)
		}
	}
	if s.float {
		if body := packDecimal(s, values); body != nil {
			return body
		}
	}
	if body := packScaled(s, values); body != nil {
		return body
	}
	if counts, ok := toCounts(values, s.single); ok {
		return packInts([]byte{formSingle}, counts)
	}
	return packBits(values)
}

func packDecimal(s scale, values []float64) []byte {
	for digits := range byte(7) {
		if counts, ok := toCounts(values, s.decimal(digits)); ok {
			return packInts([]byte{formDecimal, digits}, counts)
		}
	}
	return nil
}

// packScaled looks for a power of ten, for registers whose exponent stands in
// another register and for points without a description. It goes from coarse
// to fine, so that the counts are small.
func packScaled(s scale, values []float64) []byte {
	for e := int8(2); e >= -6; e-- {
		res, ok := s.times(e)
		if !ok {
			continue
		}
		if counts, ok := toCounts(values, res.Counts); ok {
			return packInts([]byte{formScaled, byte(e)}, counts)
		}
	}
	return nil
}

func packBits(values []float64) []byte {
	counts := make([]int64, len(values))
	for i, v := range values {
		counts[i] = int64(math.Float64bits(v))
	}
	body := packInts([]byte{formBits}, counts)
	if raw := 1 + 8*len(values); len(body) > raw {
		return packRaw(values)
	}
	return body
}

func packRaw(values []float64) []byte {
	out := []byte{formRaw}
	for _, v := range values {
		out = binary.LittleEndian.AppendUint64(out, math.Float64bits(v))
	}
	return out
}

func toCounts(values []float64, count func(float64) (int64, bool)) ([]int64, bool) {
	counts := make([]int64, len(values))
	for i, v := range values {
		k, ok := count(v)
		if !ok {
			return nil, false
		}
		counts[i] = k
	}
	return counts, true
}

// decimal counts a float register whose device shows a fixed number of digits.
func (s scale) decimal(digits byte) func(float64) (int64, bool) {
	return func(v float64) (int64, bool) {
		x := math.Round(s.invert(v) * pow10(digits))
		if !(math.Abs(x) < 1<<53) {
			return 0, false
		}
		k := int64(x)
		return k, math.Float64bits(s.decimalValue(k, digits)) == math.Float64bits(v)
	}
}

func (s scale) decimalValue(k int64, digits byte) float64 {
	return s.convert(float64(float32(float64(k) / pow10(digits))))
}

func (s scale) single(v float64) (int64, bool) {
	bits := math.Float32bits(float32(s.invert(v)))
	return int64(int32(bits)), math.Float64bits(s.singleValue(int64(int32(bits)))) == math.Float64bits(v)
}

func (s scale) singleValue(k int64) float64 {
	return s.convert(float64(math.Float32frombits(uint32(k))))
}

func pow10(digits byte) float64 {
	return [...]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6}[digits%7]
}

// unpackColumn reads the rows of a column into values; counts is room.
func unpackColumn(in []byte, s scale, values []float64, counts []int64) ([]float64, []status, error) {
	if len(in) == 0 {
		return nil, nil, errColumn
	}
	form, rest := in[0], in[1:]
	if form&formStatus == 0 {
		return values, nil, unpackForm(form, rest, s, values, counts)
	}
	states, zero, rest, err := unpackStatus(rest, len(values))
	if err != nil {
		return nil, nil, err
	}
	err = unpackForm(form&^formStatus, rest, s, values, counts)
	for i := range values {
		if zero[i] {
			values[i] = 0
		}
	}
	return values, states, err
}

func unpackValues(body []byte, s scale, n int) ([]float64, error) {
	values := make([]float64, n)
	return values, unpackForm(body[0], body[1:], s, values, make([]int64, n))
}

func unpackForm(form byte, in []byte, s scale, values []float64, counts []int64) error {
	if form == formRaw {
		return unpackRaw(in, values)
	}
	param := byte(0)
	if form == formScaled || form == formDecimal {
		if len(in) == 0 {
			return errColumn
		}
		param, in = in[0], in[1:]
	}
	if err := readInts(in, counts); err != nil {
		return err
	}
	return s.values(form, param, counts, values)
}

// values turns the counts of a form into values.
func (s scale) values(form, param byte, counts []int64, out []float64) error {
	switch form {
	case formCounts:
		linear(s.known(), counts, out)
		return nil
	case formScaled:
		res, ok := s.times(int8(param))
		if !ok {
			return errColumn
		}
		linear(res, counts, out)
		return nil
	case formDecimal:
		if param > 6 {
			return errColumn
		}
		s.decimals(param, counts, out)
		return nil
	case formSingle:
		for i, k := range counts {
			out[i] = s.singleValue(k)
		}
		return nil
	case formBits:
		for i, k := range counts {
			out[i] = math.Float64frombits(uint64(k))
		}
		return nil
	}
	return errColumn
}

// linear is model.Resolution.Value for many. Adding nothing changes a bit only
// of -0, which a negative numerator could give.
func linear(r model.Resolution, counts []int64, out []float64) {
	if r.Off != 0 || r.Num < 0 {
		for i, k := range counts {
			out[i] = r.Value(k)
		}
		return
	}
	num, den := float64(r.Num), float64(r.Den)
	for i, k := range counts {
		out[i] = float64(float64(k)*num) / den
	}
}

// decimals is decimalValue for many.
func (s scale) decimals(digits byte, counts []int64, out []float64) {
	den := pow10(digits)
	for i, k := range counts {
		out[i] = float64(float32(float64(k) / den))
	}
	if !s.Known() || s.Resolution == (model.Resolution{Num: 1, Den: 1}) {
		return // a conversion that changes no bit but that of -0, which no count gives
	}
	for i, x := range out {
		out[i] = s.convert(x)
	}
}

func unpackRaw(in []byte, values []float64) error {
	if len(in) != 8*len(values) {
		return errColumn
	}
	for i := range values {
		values[i] = math.Float64frombits(binary.LittleEndian.Uint64(in[8*i:]))
	}
	return nil
}
