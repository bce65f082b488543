// Package fleet keeps in a MongoDB database what instances of the service know of each other: who runs the timetable of a
// site, who is alive, and where each is told of commits.
package fleet

import (
	"errors"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/mongo"
)

// The collections.
const (
	LeasesName = "leases"
	BeatsName  = "beats"
	PeersName  = "peers"
	keysName   = "keys"
)

// ErrReadOnly says that the database was opened for reading only.
var ErrReadOnly = errors.New("the database is open for reading only")

// Fleet is what the instances on one database share.
type Fleet struct {
	db       *mongo.Database
	target   string // the database in words
	readOnly bool
}

// New gives that of a database.
func New(db *mongo.Database, target string, readOnly bool) *Fleet {
	return &Fleet{db: db, target: target, readOnly: readOnly}
}

// leaseKey gives the _id of a lease; _ids are in the order of the epochs.
func leaseKey(site string, epoch int64) string { return fmt.Sprintf("%s/%012d", site, epoch) }
