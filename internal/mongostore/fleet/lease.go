package fleet

import (
	"context"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
)

// leaseDoc says who runs the timetable of a site under an epoch. It is inserted once; only its released is set
// later. Whoever inserts the next epoch first has it.
type leaseDoc struct {
	ID       string `bson:"_id"`
	Site     string `bson:"site"`
	Epoch    int64  `bson:"epoch"`
	Holder   string `bson:"holder"`
	Released bool   `bson:"released"`
}

// beatDoc shows that an instance is alive. Only that instance writes it.
type beatDoc struct {
	Holder string `bson:"_id"`
	Beat   int64  `bson:"beat"`
}

func (f *Fleet) leases() *mongo.Collection { return f.db.Collection(LeasesName) }
func (f *Fleet) beats() *mongo.Collection  { return f.db.Collection(BeatsName) }

// Leases calls fn with the newest lease of every site.
func (f *Fleet) Leases(ctx context.Context, fn func(site string, epoch int64, holder string, released bool) error) error {
	found, err := f.leases().Find(ctx, bson.D{})
	if err != nil {
		return fmt.Errorf("leases of %s: %w", f.target, err)
	}
	var all []leaseDoc
	if err := found.All(ctx, &all); err != nil {
		return fmt.Errorf("leases of %s: %w", f.target, err)
	}
	newest := map[string]leaseDoc{}
	for _, d := range all {
		if d.Epoch > newest[d.Site].Epoch {
			newest[d.Site] = d
		}
	}
	for site, d := range newest {
		if err := fn(site, d.Epoch, d.Holder, d.Released); err != nil {
			return err
		}
	}
	return nil
}

// TakeLease inserts the lease of an epoch; false where that epoch is there already. Those before it are
// forgotten.
func (f *Fleet) TakeLease(ctx context.Context, site string, epoch int64, holder string) (bool, error) {
	if f.readOnly {
		return false, ErrReadOnly
	}
	_, err := f.leases().InsertOne(ctx, leaseDoc{ID: leaseKey(site, epoch), Site: site, Epoch: epoch, Holder: holder})
	if mongo.IsDuplicateKeyError(err) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("lease of site %s: %w", site, err)
	}
	_, err = f.leases().DeleteMany(ctx, bson.D{{Key: "site", Value: site}, {Key: "epoch", Value: bson.D{{Key: "$lt", Value: epoch}}}})
	if err != nil {
		return true, fmt.Errorf("older leases of site %s: %w", site, err)
	}
	return true, nil
}

// ReleaseLease marks the lease of an epoch as given up.
func (f *Fleet) ReleaseLease(ctx context.Context, site string, epoch int64) error {
	if f.readOnly {
		return ErrReadOnly
	}
	_, err := f.leases().UpdateOne(ctx, bson.D{{Key: "_id", Value: leaseKey(site, epoch)}}, bson.D{{Key: "$set", Value: bson.D{{Key: "released", Value: true}}}})
	if err != nil {
		return fmt.Errorf("lease of site %s: %w", site, err)
	}
	return nil
}

// Beat keeps the latest beat of a holder.
func (f *Fleet) Beat(ctx context.Context, holder string, beat int64) error {
	if f.readOnly {
		return ErrReadOnly
	}
	_, err := f.beats().ReplaceOne(ctx, bson.D{{Key: "_id", Value: holder}}, beatDoc{holder, beat}, options.Replace().SetUpsert(true))
	if err != nil {
		return fmt.Errorf("beat of %s: %w", holder, err)
	}
	return nil
}

// Beats calls fn with the latest beat of every holder.
func (f *Fleet) Beats(ctx context.Context, fn func(holder string, beat int64) error) error {
	found, err := f.beats().Find(ctx, bson.D{})
	if err != nil {
		return fmt.Errorf("beats of %s: %w", f.target, err)
	}
	var all []beatDoc
	if err := found.All(ctx, &all); err != nil {
		return fmt.Errorf("beats of %s: %w", f.target, err)
	}
	for _, d := range all {
		if err := fn(d.Holder, d.Beat); err != nil {
			return err
		}
	}
	return nil
}

// Forget drops the beat of a holder that is gone.
func (f *Fleet) Forget(ctx context.Context, holder string) error {
	if f.readOnly {
		return ErrReadOnly
	}
	if _, err := f.beats().DeleteOne(ctx, bson.D{{Key: "_id", Value: holder}}); err != nil {
		return fmt.Errorf("beat of %s: %w", holder, err)
	}
	return nil
}
