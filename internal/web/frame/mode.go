package frame

// Modes are how the pages can look; without a choice the device says it.
var Modes = []string{"light", "dark", "sunlight"}

// ModeOfDevice is the choice that leaves it to the device.
const ModeOfDevice = "device"

// ModeChoices are the choices with their words, the present one marked.
func (f *Frame) ModeChoices() []Choice {
	out := make([]Choice, 0, len(Modes)+1)
	for _, m := range append([]string{ModeOfDevice}, Modes...) {
		out = append(out, Choice{Code: m, Word: f.T("look." + m), Chosen: m == f.Mode || m == ModeOfDevice && f.Mode == ""})
	}
	return out
}

// ColorScheme is what the browser paints before the style sheet is there.
func (f *Frame) ColorScheme() string {
	switch f.Mode {
	case "dark":
		return "dark"
	case "":
		return "light dark"
	}
	return "light"
}
