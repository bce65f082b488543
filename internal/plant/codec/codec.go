// Package codec turns events of the rules into records of the log and back.
//
// Bodies are written in canonical JSON (RFC 8785): members sorted, a member without a value left out, every
// time in UTC with three decimals. Bodies are read strictly, by kind and version; what is not in the table
// of kinds is unknown and never guessed at. Readings, nearly all of a log, have an encoder and a decoder of
// their own. The package does no input or output.
package codec

import (
	"errors"
	"fmt"
	"reflect"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/instrument"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/lot/recall"
	"linewarden/haccp/material"
	"linewarden/haccp/shift"
)

// KeyChanged is the body of a record that gives the log a new key; its bytes are those of package record.
type KeyChanged struct {
	Checkpoint string `json:"checkpoint,omitempty"`
	Key        string `json:"key"`
	Lost       bool   `json:"lost,omitempty"`
}

// shape is a kind of record with the version of its body.
type shape struct {
	kind string
	v    int
}

// bodies names the type of body of every kind and version there ever was. Entries are added and never
// changed: stored records keep their meaning.
var bodies = map[shape]reflect.Type{
	{haccp.KindFounded, 1}:           reflect.TypeFor[haccp.Founded](),
	{haccp.KindKeyChanged, 1}:        reflect.TypeFor[KeyChanged](),
	{haccp.KindPersonAdded, 1}:       reflect.TypeFor[haccp.PersonBody](),
	{haccp.KindRoleGiven, 1}:         reflect.TypeFor[haccp.PersonBody](),
	{haccp.KindRoleTaken, 1}:         reflect.TypeFor[haccp.PersonBody](),
	{haccp.KindPersonDisabled, 1}:    reflect.TypeFor[haccp.PersonBody](),
	{haccp.KindPersonEnabled, 1}:     reflect.TypeFor[haccp.PersonBody](),
	{haccp.KindCredentialChanged, 1}: reflect.TypeFor[haccp.PersonBody](),
	{haccp.KindSignInLocked, 1}:      reflect.TypeFor[haccp.PersonBody](),
	{haccp.KindSignatureFailed, 1}:   reflect.TypeFor[haccp.PersonBody](),
	{haccp.KindDeviceEnrolled, 1}:    reflect.TypeFor[haccp.DeviceBody](),
	{haccp.KindDeviceRevoked, 1}:     reflect.TypeFor[haccp.DeviceBody](),
	{haccp.KindPlanSigned, 1}:        reflect.TypeFor[haccp.PlanSigned](),
	{haccp.KindReading, 1}:           reflect.TypeFor[haccp.Reading](),
	{haccp.KindFilled, 1}:            reflect.TypeFor[haccp.Bath](),
	{haccp.KindAdded, 1}:             reflect.TypeFor[haccp.Bath](),
	{haccp.KindPartReplaced, 1}:      reflect.TypeFor[haccp.Bath](),
	{haccp.KindDrained, 1}:           reflect.TypeFor[haccp.Bath](),
	{haccp.KindCleaned, 1}:           reflect.TypeFor[haccp.Bath](),
	{haccp.KindInService, 1}:         reflect.TypeFor[haccp.Bath](),
	{haccp.KindOutOfService, 1}:      reflect.TypeFor[haccp.Bath](),
	{haccp.KindCleanBreak, 1}:        reflect.TypeFor[haccp.CleanBreak](),
	{haccp.KindLineStarted, 1}:       reflect.TypeFor[haccp.LineStarted](),
	{haccp.KindLineStopped, 1}:       reflect.TypeFor[haccp.LineStopped](),
	{haccp.KindFixDone, 1}:           reflect.TypeFor[haccp.FixDone](),
	{haccp.KindMissed, 1}:            reflect.TypeFor[haccp.Missed](),
	{haccp.KindDeviationOpened, 1}:   reflect.TypeFor[haccp.DeviationOpened](),
	{haccp.KindDeviationReopened, 1}: reflect.TypeFor[haccp.DeviationReopened](),
	{haccp.KindDeviationSigned, 1}:   reflect.TypeFor[haccp.DeviationSigned](),
	{haccp.KindAmended, 1}:           reflect.TypeFor[haccp.Amended](),
	{haccp.KindVoided, 1}:            reflect.TypeFor[haccp.Voided](),
	{haccp.KindTimeAccepted, 1}:      reflect.TypeFor[haccp.TimeAccepted](),
	{haccp.KindReviewed, 1}:          reflect.TypeFor[haccp.Reviewed](),
	{haccp.KindLotReceived, 1}:       reflect.TypeFor[haccp.LotReceived](),
	{haccp.KindLotEntered, 1}:        reflect.TypeFor[haccp.LotMoved](),
	{haccp.KindLotLeft, 1}:           reflect.TypeFor[haccp.LotMoved](),
	{haccp.KindLotFed, 1}:            reflect.TypeFor[haccp.LotFed](),
	{haccp.KindLotRemoved, 1}:        reflect.TypeFor[haccp.LotRemoved](),
	{haccp.KindPlaceEmptied, 1}:      reflect.TypeFor[haccp.PlaceEmptied](),
	{haccp.KindLotFlagged, 1}:        reflect.TypeFor[haccp.LotFlagged](),
	{haccp.KindLotHeld, 1}:           reflect.TypeFor[haccp.LotHeld](),
	{haccp.KindLotEvaluated, 1}:      reflect.TypeFor[haccp.LotEvaluated](),
	{haccp.KindLotReviewed, 1}:       reflect.TypeFor[haccp.LotReviewed](),
	{haccp.KindLotDisposed, 1}:       reflect.TypeFor[haccp.LotDisposed](),
	{haccp.KindLotShipped, 1}:        reflect.TypeFor[haccp.LotShipped](),
	{haccp.KindLotSampled, 1}:        reflect.TypeFor[laboratory.Sampled](),
	{haccp.KindSamplePassed, 1}:      reflect.TypeFor[laboratory.Passed](),
	{haccp.KindSampleReceived, 1}:    reflect.TypeFor[laboratory.Received](),
	{haccp.KindResult, 1}:            reflect.TypeFor[laboratory.Reported](),
	{haccp.KindNote, 1}:              reflect.TypeFor[haccp.Note](),
	{haccp.KindSiteAdded, 1}:         reflect.TypeFor[haccp.GroupSite](),
	{haccp.KindSiteRetired, 1}:       reflect.TypeFor[haccp.GroupSite](),
	{haccp.KindSiteRoleGiven, 1}:     reflect.TypeFor[haccp.SiteRole](),
	{haccp.KindSiteRoleTaken, 1}:     reflect.TypeFor[haccp.SiteRole](),
	{haccp.KindTimetableTaken, 1}:    reflect.TypeFor[haccp.TimetableTaken](),
	{haccp.KindRestored, 1}:          reflect.TypeFor[haccp.Restored](),
	{haccp.KindShiftHandedOver, 1}:   reflect.TypeFor[shift.HandedOver](),
	{haccp.KindShiftAccepted, 1}:     reflect.TypeFor[shift.Accepted](),

	{haccp.KindExerciseStarted, 1}:  reflect.TypeFor[recall.Started](),
	{haccp.KindExerciseFinished, 1}: reflect.TypeFor[haccp.ExerciseFinished](),

	{haccp.KindMaterialReceived, 1}:  reflect.TypeFor[material.Received](),
	{haccp.KindMaterialApproved, 1}:  reflect.TypeFor[haccp.MaterialRuled](),
	{haccp.KindMaterialRejected, 1}:  reflect.TypeFor[haccp.MaterialRuled](),
	{haccp.KindMaterialCounted, 1}:   reflect.TypeFor[material.Counted](),
	{haccp.KindInstrumentChecked, 1}: reflect.TypeFor[instrument.Checked](),
	{haccp.KindInstrumentOut, 1}:     reflect.TypeFor[instrument.Service](),
	{haccp.KindInstrumentBack, 1}:    reflect.TypeFor[instrument.Service](),

	{haccp.KindAlertRaised, 1}:       reflect.TypeFor[alarm.Raised](),
	{haccp.KindAlertRenewed, 1}:      reflect.TypeFor[alarm.Renewed](),
	{haccp.KindAlertAcknowledged, 1}: reflect.TypeFor[alarm.Acknowledged](),
	{haccp.KindAlertHandedOver, 1}:   reflect.TypeFor[alarm.HandedOver](),
	{haccp.KindAlertEscalated, 1}:    reflect.TypeFor[alarm.Escalated](),
	{haccp.KindAlertCleared, 1}:      reflect.TypeFor[alarm.Cleared](),
	{haccp.KindAlertSilenced, 1}:     reflect.TypeFor[alarm.Silenced](),
	{haccp.KindAlertUnsilenced, 1}:   reflect.TypeFor[alarm.Unsilenced](),
	{haccp.KindAlertDelivered, 1}:    reflect.TypeFor[alarm.Delivered](),
	{haccp.KindAlertGivenUp, 1}:      reflect.TypeFor[alarm.GivenUp](),
}

// amendable gives the version of a kind's body that an amendment of this version holds.
func amendable(v int, kind string) shape { return shape{kind, v} }

// ErrUnknown says that a record has a kind or version that this program does not know.
var ErrUnknown = errors.New("the log holds a record that this version does not know")

// UnknownError names a record whose kind or version this program does not know.
type UnknownError struct {
	Seq  int64
	Kind string
	V    int
}

// Error names the record and says what to do.
func (e *UnknownError) Error() string {
	return fmt.Sprintf("record %d has kind %q, version %d, which this version of the program does not know: "+
		"it was written by a newer one; start that one to go on recording", e.Seq, e.Kind, e.V)
}

// Unwrap gives ErrUnknown.
func (e *UnknownError) Unwrap() error { return ErrUnknown }
