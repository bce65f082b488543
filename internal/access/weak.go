package access

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/secure/precis"
)

// maxPassword is the longest password in characters. NIST SP 800-63B-4 3.1.1.2
// asks for at least 64.
const maxPassword = 256

// Why a password or PIN was refused.
const (
	WeakShort     = "too_short"     // Limit says the least number of characters
	WeakLong      = "too_long"      // Limit says the most
	WeakCharacter = "bad_character" // control or unassigned character
	WeakName      = "own_name"      // leans on the person's name
	WeakWord      = "plant_word"    // leans on a word of the plant
	WeakCommon    = "too_common"    // repeated, in a row, or made of common words
	WeakSame      = "same_as_before"
	WeakPINForm   = "pin_form"    // not four to eight digits
	WeakPIN       = "pin_trivial" // one of the first that anybody tries
)

// A Weak is the refusal of a new password or PIN.
type Weak struct {
	Reason string
	Limit  int
}

func (w *Weak) Error() string {
	switch w.Reason {
	case WeakShort:
		return fmt.Sprintf("password is shorter than %d characters; a few words in a row are easy to remember", w.Limit)
	case WeakLong:
		return fmt.Sprintf("password is longer than %d characters", w.Limit)
	case WeakCharacter:
		return "password has a character that cannot be used"
	case WeakName:
		return "password contains your own name; choose another"
	case WeakWord:
		return "password contains a word of the plant; choose another"
	case WeakSame:
		return "this is the present password or PIN; choose another"
	case WeakPINForm:
		return "a PIN is four to eight digits"
	case WeakPIN:
		return "this PIN is one of the first that anybody tries; choose another"
	}
	return "password is too easy to guess; choose another"
}

// prepare brings a typed secret into the form that is hashed: RFC 8265
// OpaqueString (any space becomes a plain one, NFC).
func prepare(typed string) (string, error) {
	if len(typed) > 4*maxPassword {
		return "", &Weak{WeakLong, maxPassword}
	}
	s, err := precis.OpaqueString.String(typed)
	if err != nil {
		return "", &Weak{Reason: WeakCharacter}
	}
	return s, nil
}

// common are words that many passwords are made of. Common knowledge, no source.
var common = []string{
	"password", "passwort", "contraseña", "contrasena", "letmein", "welcome", "bienvenido", "qwertyuiop", "qwerty",
	"asdfghjkl", "asdfgh", "zxcvbnm", "iloveyou", "admin", "administrator", "administrador", "secret", "secreto",
	"changeme", "linewarden", "chlorine", "cloro", "monkey", "dragon", "sunshine", "football", "abcdefgh", "abc",
}

// checkPassword refuses a new password, already prepared, that is too short, or
// that leans on names, words of the plant, or common words. There are no rules
// on which characters it must have (NIST SP 800-63B-4 3.1.1.2).
func (s Settings) checkPassword(password string, p Person) error {
	if password == "" || utf8.RuneCountInString(password) < s.MinPassword {
		return &Weak{WeakShort, s.MinPassword}
	}
	if utf8.RuneCountInString(password) > maxPassword {
		return &Weak{WeakLong, maxPassword}
	}
	low := fold.String(password)
	if containsWord(low, append(words(p.Name), words(p.SignIn)...)) {
		return &Weak{Reason: WeakName}
	}
	var plant []string
	for _, w := range s.Words {
		plant = append(plant, words(w)...)
	}
	if containsWord(low, plant) {
		return &Weak{Reason: WeakWord}
	}
	if repeats(low) || thin(low) {
		return &Weak{Reason: WeakCommon}
	}
	return nil
}

// words are the parts of a name long enough to matter, folded.
func words(name string) []string {
	var out []string
	parts := strings.FieldsFunc(fold.String(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	for _, w := range parts {
		if utf8.RuneCountInString(w) >= 4 {
			out = append(out, w)
		}
	}
	return out
}

func containsWord(s string, words []string) bool {
	for _, w := range words {
		if strings.Contains(s, w) {
			return true
		}
	}
	return false
}

// repeats says whether a text is one piece of up to six characters over and
// over, or has fewer than five different characters, or runs evenly up or down.
func repeats(s string) bool {
	r := []rune(s)
	seen := map[rune]bool{}
	for _, c := range r {
		seen[c] = true
	}
	if len(seen) < 5 {
		return true
	}
	for period := 1; period <= 6 && period*2 <= len(r); period++ {
		same := true
		for i := period; i < len(r) && same; i++ {
			same = r[i] == r[i-period]
		}
		if same {
			return true
		}
	}
	return steps(r) >= len(r)-3
}

// steps counts the places where a character follows the one before by one, up
// or down; 0 follows 9 and 9 follows 0.
func steps(r []rune) int {
	n := 0
	for i := 1; i < len(r); i++ {
		d := r[i] - r[i-1]
		if d == 1 || d == -1 || (r[i-1] == '9' && r[i] == '0') || (r[i-1] == '0' && r[i] == '9') {
			n++
		}
	}
	return n
}

// thin says whether little is left without common words, digits and signs.
func thin(s string) bool {
	for _, w := range common {
		s = strings.ReplaceAll(s, w, "")
	}
	left := 0
	for _, c := range s {
		if unicode.IsLetter(c) {
			left++
		}
	}
	return left < 5
}

// checkPIN refuses a PIN that is not four to eight digits, that is one piece
// over and over, that runs up or down, that reads as a year, or that is a line
// on the keypad. Common practice, no source.
func checkPIN(pin string) error {
	if len(pin) < 4 || len(pin) > 8 || strings.Trim(pin, "0123456789") != "" {
		return &Weak{Reason: WeakPINForm}
	}
	trivial := trivialRun(pin) ||
		(len(pin) == 4 && (strings.HasPrefix(pin, "19") || strings.HasPrefix(pin, "20"))) ||
		pin == "2580" || pin == "0852" || pin == "1379" || pin == "1004"
	if trivial {
		return &Weak{Reason: WeakPIN}
	}
	return nil
}

func trivialRun(pin string) bool {
	for period := 1; period*2 <= len(pin); period++ {
		if strings.HasPrefix(strings.Repeat(pin[:period], len(pin)), pin) {
			return true
		}
	}
	r := []rune(pin)
	return steps(r) == len(r)-1
}
