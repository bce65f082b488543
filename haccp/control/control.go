// Package control holds the rules of control as pure functions: the verdict of each limit on a reading
// (Judge), the excursions of a control point at a place from its readings in any order of arrival
// (Window), when checks fall due and which reading satisfied which due (Dues, Match), and the state of
// a point (StateOf). It reads no clock and does no input or output; every type that is state is a plain
// value that survives JSON and is never changed once handed out.
package control
