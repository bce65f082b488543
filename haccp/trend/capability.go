package trend

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ErrUnstable is a capability asked for from a series that is not in control:
// its sigma describes no process.
var ErrUnstable = errors.New("not in control: no capability index holds")

// A SigmaKind says which standard deviation an index rests on.
type SigmaKind string

// The kinds. From point to point gives Cp and Cpk, overall gives Pp and Ppk.
const (
	Within  SigmaKind = "within (from point to point)"
	Overall SigmaKind = "overall"
)

// A Specification is the limits a process is held against, in the unit of the
// series. A limit it lacks is NaN (see [NoLimit]), and so is a target.
type Specification struct {
	Lower, Upper, Target float64
}

// NoLimit stands for a limit or target that a specification lacks.
var NoLimit = math.NaN()

// An Index is a capability index with its two-sided confidence interval. A
// negative value is legal: the mean lies outside its limit.
type Index struct {
	Known          bool // Known is false where the specification does not define the index.
	Value          float64
	Lowest, Higher float64
}

// A CapabilityResult holds the indices that a specification defines.
type CapabilityResult struct {
	Sigma      SigmaKind
	N          int
	Confidence float64
	Cp         Index // Cp needs both limits.
	CpLower    Index // CpLower is what is written Cpl.
	CpUpper    Index // CpUpper is what is written Cpu.
	Cpk        Index
	Cpm        Index // Cpm needs both limits and a target.
	// OutOfLimits is the share outside the limits, 0 to 1, were the process normal
	// with this mean and sigma.
	OutOfLimits float64
	Provisional bool // Provisional says that N is below 25: only the interval says anything.
}

// Capability returns the indices of a process with mean and sigma estimated from
// n values, n of 2 or more, confidence above 0 and below 1.
//
//	Cp = (U-L)/6s, Cpu = (U-m)/3s, Cpl = (m-L)/3s, Cpk the lower of both,
//	Cpm = (U-L)/(6 sqrt(s^2+(m-T)^2))
//
// Intervals: Cp by chi-squared with n-1 degrees of freedom; Cpu, Cpl, Cpk
// C ± z sqrt(1/9n + C^2/(2(n-1))); both as NIST Dataplot documents them. Cpm by
// chi-squared with n (1+a^2)^2/(1+2a^2), a = (m-T)/s (Boyles 1991, from memory).
func Capability(mean, sigma float64, n int, kind SigmaKind, spec Specification, confidence float64) (CapabilityResult, error) {
	if err := checkCapability(mean, sigma, n, kind, spec, confidence); err != nil {
		return CapabilityResult{}, err
	}
	r := CapabilityResult{Sigma: kind, N: n, Confidence: confidence, Provisional: n < 25}
	lower, upper := !math.IsNaN(spec.Lower), !math.IsNaN(spec.Upper)
	df := float64(n - 1)
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	around := func(c float64) Index {
		half := z * math.Sqrt(1/(9*float64(n))+c*c/(2*df))
		return Index{Known: true, Value: c, Lowest: c - half, Higher: c + half}
	}
	if upper {
		r.CpUpper = around((spec.Upper - mean) / (3 * sigma))
		r.Cpk = r.CpUpper
		r.OutOfLimits += distuv.UnitNormal.Survival((spec.Upper - mean) / sigma)
	}
	if lower {
		r.CpLower = around((mean - spec.Lower) / (3 * sigma))
		if !upper || r.CpLower.Value < r.Cpk.Value {
			r.Cpk = r.CpLower
		}
		r.OutOfLimits += distuv.UnitNormal.CDF((spec.Lower - mean) / sigma)
	}
	if lower && upper {
		r.Cp = byChiSquared((spec.Upper-spec.Lower)/(6*sigma), df, confidence)
		if a := (mean - spec.Target) / sigma; !math.IsNaN(a) {
			cpm := r.Cp.Value / math.Sqrt(1+a*a)
			r.Cpm = byChiSquared(cpm, float64(n)*(1+a*a)*(1+a*a)/(1+2*a*a), confidence)
		}
	}
	return r, nil
}

// CapabilityOf returns the indices of a series of two values or more, from the
// sigma from point to point or the overall one. A series with a point outside
// its own individuals chart, or with a Western Electric signal, is refused with
// [ErrUnstable].
func CapabilityOf(x []float64, kind SigmaKind, spec Specification, confidence float64) (CapabilityResult, error) {
	chart, err := Individuals(x)
	if err != nil {
		return CapabilityResult{}, err
	}
	rules, err := NewRules(WesternElectric, chart.Values.Centre, chart.Values.Sigma, FullWindow)
	if err != nil {
		return CapabilityResult{}, err
	}
	for _, v := range x {
		fired, err := rules.Add(v)
		if err != nil {
			return CapabilityResult{}, err
		}
		if fired != 0 {
			return CapabilityResult{}, ErrUnstable
		}
	}
	s, err := Summarize(x)
	if err != nil {
		return CapabilityResult{}, err
	}
	sigma := s.MovingRangeSD
	if kind == Overall {
		sigma = s.SD
	}
	return Capability(s.Mean, sigma, s.N, kind, spec, confidence)
}

func checkCapability(mean, sigma float64, n int, kind SigmaKind, spec Specification, confidence float64) error {
	switch {
	case n < 2:
		return bad("an index from %d values; 2 at least, better 25", n)
	case !(confidence > 0 && confidence < 1):
		return bad("confidence %v; above 0 and below 1 is wanted", confidence)
	case kind != Within && kind != Overall:
		return bad("sigma %q; %q or %q", kind, Within, Overall)
	case math.IsNaN(spec.Lower) && math.IsNaN(spec.Upper):
		return bad("a specification without limits")
	case math.IsInf(spec.Lower, 0) || math.IsInf(spec.Upper, 0) || math.IsInf(spec.Target, 0) || spec.Lower >= spec.Upper:
		return bad("limits %v and %v; the lower one below the upper one is wanted", spec.Lower, spec.Upper)
	}
	if err := number("mean", mean); err != nil {
		return err
	}
	return positive("sigma", sigma)
}

func byChiSquared(c, df, confidence float64) Index {
	d := distuv.ChiSquared{K: df}
	return Index{
		Known: true, Value: c,
		Lowest: c * math.Sqrt(d.Quantile((1-confidence)/2)/df),
		Higher: c * math.Sqrt(d.Quantile((1+confidence)/2)/df),
	}
}
