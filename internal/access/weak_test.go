package access

import (
	"strings"
	"testing"
)

func TestPasswordRules(t *testing.T) {
	s := cheap()
	p := Person{Name: "María-José Núñez", SignIn: "mjnunez"}
	for password, want := range map[string]string{
		"seven wet gloves on a hook":       "",
		"tres cuchillos y una manzana":     "",
		"冷たい水の中に長い葉が七枚ある朝":                 "",
		"xkqvzjwmprtyhbn":                  "", // 15 letters, no other rule
		"xkqvzjwmprtyhb":                   WeakShort,
		"":                                 WeakShort,
		strings.Repeat("long words, ", 30): WeakLong,
		strings.Repeat("é", 2000):          WeakLong,
		"seven wet\x00gloves on a hook":    WeakCharacter,
		"maría went to the market":         WeakName,
		"my cat NÚÑEZ is orange":           WeakName,
		"it is mjnunez as always":          WeakName,
		"we love sierra mornings":          WeakWord,
		"aaaaaaaaaaaaaaaaaa":               WeakCommon,
		"abcabcabcabcabcabc":               WeakCommon,
		"abcdefabcdefabcdef":               WeakCommon,
		"1234567890123456":                 WeakCommon,
		"9876543210987654":                 WeakCommon,
		"abcdefghijklmnopq":                WeakCommon,
		"PasswordPassword1!":               WeakCommon,
		"Contraseña-2026-12":               WeakCommon,
		"qwertyuiopasdfghjkl":              WeakCommon,
		"192837465564738":                  WeakCommon, // digits alone
	} {
		prepared, err := prepare(password)
		if err == nil || password == "" {
			err = s.checkPassword(prepared, p)
		}
		if want == "" && err != nil {
			t.Errorf("%q: refused: %v", password, err)
		}
		if want != "" {
			wantWeak(t, password, err, want)
		}
	}
}

// RFC 8265 section 4.2: NFC, any space becomes U+0020, case is kept. The
// examples are of its section 4.3.
func TestPreparedAsRFC8265(t *testing.T) {
	for typed, want := range map[string]string{
		"correct horse battery staple": "correct horse battery staple",
		"Correct Horse Battery Staple": "Correct Horse Battery Staple",
		"πßå":                          "πßå",
		"foo\u1680bar":                 "foo bar",
		"Jack of ♦s":                   "Jack of ♦s",
		"n\u0303":                      "ñ",
	} {
		if got, err := prepare(typed); err != nil || got != want {
			t.Errorf("%q: %q, %v; want %q", typed, got, err, want)
		}
	}
	for _, typed := range []string{"", "my cat is a \u0009by"} {
		if got, err := prepare(typed); err == nil {
			t.Errorf("%q: %q; want a refusal", typed, got)
		}
	}
}

func TestPINRules(t *testing.T) {
	for pin, want := range map[string]string{
		"4071": "", "82915": "", "730164": "", "19284756": "", "55504": "",
		"": WeakPINForm, "407": WeakPINForm, "407182930": WeakPINForm, "40a1": WeakPINForm, "４０７１": WeakPINForm, " 4071": WeakPINForm,
		"0000": WeakPIN, "7777777": WeakPIN, "1234": WeakPIN, "4321": WeakPIN, "7890": WeakPIN, "87654321": WeakPIN,
		"1212": WeakPIN, "123123": WeakPIN, "12121": WeakPIN, "1984": WeakPIN, "2026": WeakPIN, "2580": WeakPIN,
	} {
		err := checkPIN(pin)
		if want == "" && err != nil {
			t.Errorf("%q: refused: %v", pin, err)
		}
		if want != "" {
			wantWeak(t, pin, err, want)
		}
	}
}

func TestSignInName(t *testing.T) {
	for typed, want := range map[string]string{
		"  Ana ": "ana", "ANA": "ana", "ａｎａ": "ana", "Jose\u0301": "josé", "JOSÉ": "josé", "Straße": "strasse",
	} {
		if got := SignInName(typed); got != want || SignInName(got) != got {
			t.Errorf("%q: %q, again %q; want %q", typed, got, SignInName(got), want)
		}
	}
}
