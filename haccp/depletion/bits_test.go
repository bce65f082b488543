package depletion

import (
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestExponential(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.Float64Range(0, 700).Draw(t, "z")
		if got, want := expNeg(z), math.Exp(-z); math.Abs(got-want) > 6e-16*want {
			t.Fatalf("exp(-%v) = %v, the library has %v", z, got, want)
		}
		h, dh := rise(z)
		if want := -math.Expm1(-z) / z; z > 0 && math.Abs(h-want) > 1e-14*want {
			t.Fatalf("rise(%v) = %v, want %v", z, h, want)
		}
		const d = 1e-5
		up, _ := rise(z + d)
		if want := (up - h) / d; math.Abs(dh-want) > 1e-4 {
			t.Fatalf("derivative at %v = %v, by difference %v", z, dh, want)
		}
	})
	if h, dh := rise(0); h != 1 || dh != -0.5 {
		t.Errorf("rise(0) = %v, %v", h, dh)
	}
}

// The typed points of Student's t against a library that computes them.
func TestQuantiles(t *testing.T) {
	student := func(p float64, df int) float64 {
		return distuv.StudentsT{Sigma: 1, Nu: float64(df)}.Quantile(p)
	}
	for df := 1; df <= 200; df++ {
		for p, table := range map[float64]func(int) float64{0.975: t975, 0.995: t995} {
			got, want := table(df), student(p, df)
			if got < want-5.1e-5 || df <= 30 && math.Abs(got-want) > 5.1e-5 {
				t.Errorf("t(%v, %d) = %v, want %v", p, df, got, want)
			}
		}
	}
	for _, p := range []int{2, 3} {
		for n := 5; n <= 60; n++ {
			if n-1-p < 1 {
				continue
			}
			got, want := outlierT(n, p), student(1-0.01/float64(2*n), n-1-p)
			if got < want-6e-4 || n < 20 && math.Abs(got-want) > 6e-4 {
				t.Errorf("outlier point of %d readings, %d parameters = %v, want %v", n, p, got, want)
			}
		}
	}
}

// The same bits on every processor: run it with GOARCH and GOAMD64 of any kind
// (GOAMD64=v3 and arm64 have fused multiply-add, which would change them).
func TestSameBitsEverywhere(t *testing.T) {
	sum := uint64(0)
	for k := range 200 {
		in := Input{Operating: 14, Critical: 9, Step: 0.1}
		for i := range 5 + k%20 {
			x := float64(7*i + k%5)
			noise := float64((i*i*31+k*17)%23-11) / 20
			y := math.Floor((float64(k%9)+40/(1+x/float64(60+k))+noise)*10) / 10
			in.Points = append(in.Points, Point{Minutes: x, Free: y})
		}
		f, err := Predict(in)
		if err != nil {
			sum = sum*31 + uint64(len(err.Error()))
			continue
		}
		for _, v := range []float64{f.Start, f.K, f.Offset, f.SD} {
			sum = sum*31 + math.Float64bits(v)
		}
		for _, c := range []Crossing{f.Operating, f.Critical} {
			sum = sum*31 + uint64(c.Earliest)*7 + uint64(c.Expected)*5 + uint64(c.Latest)
		}
	}
	if got := fmt.Sprintf("%016x", sum); got != wantBits {
		t.Errorf("bits %s, on amd64 they were %s", got, wantBits)
	}
}

const wantBits = "3bd28958d66c0a4c"
