package api

import "testing"

func TestSmoke(t *testing.T) {
	w := newWorld(t)
	c := w.as("tina")
	c.do("POST", "/fillings", obj{"id": id(), "place": "bath-1", "water": "town", "level": obj{"value": "80", "unit": "cm"}}).want(201)
	r := c.do("POST", "/readings", reading()).want(201)
	t.Logf("%s", r.body)
}
