// Package transfer takes a plant from one place to another: a backup into a folder, a backup put back, and a move
// between a data folder and a database. What it writes is verified against a checkpoint before it counts; what was
// cut short is finished by doing the same again; a place that holds another log is left as it is.
package transfer
