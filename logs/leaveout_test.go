package logs

import "testing"

// A word goes where it stands alone, and no number is changed in the middle.
func TestBlank(t *testing.T) {
	for _, c := range []struct{ text, word, expected string }{
		{"A,B,0001,1.0", "0001", "A,B,xxxx,1.0"},
		{"1.0001 0001.5 10001 0001E3 0001.", "0001", "1.0001 0001.5 10001 0001E3 xxxx."},
		{"HP-7 HP-70 xHP-7 usb_HP-7-if0 HP-7", "HP-7", "xxxx HP-70 xHP-7 usb_xxxx-if0 xxxx"},
		{"none", "", "none"},
	} {
		got := []byte(c.text)
		if blank(got, []byte(c.word)); string(got) != c.expected {
			t.Errorf("%q without %q: %q, expected %q", c.text, c.word, got, c.expected)
		}
	}
}
