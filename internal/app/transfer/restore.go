package transfer

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/app"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

// RestoreOptions say what is put back, and who does it.
type RestoreOptions struct {
	Dir        string // folder of the backup
	SigningKey string // file with the signing key, where it is not in the backup nor at the target
	Operator   string // printed name of who puts it back
	Reason     string
	Clock      func() time.Time
	Progress   func(what string) func(done, total int64)
}

// ReadBackup reads the manifest of a backup and compares its files with their hashes.
func ReadBackup(dir string) (BackupManifest, error) {
	m, err := readManifest(dir)
	if err != nil {
		return m, err
	}
	for name, want := range m.Files {
		if filepath.Base(name) != name {
			return m, fmt.Errorf("%s: %q is no name of a file", filepath.Join(dir, manifestName), name)
		}
		have, err := hashFile(filepath.Join(dir, name))
		if err != nil {
			return m, fmt.Errorf("backup %s: %w", dir, err)
		}
		if have != want {
			return m, fmt.Errorf("backup %s: %w: file %s is not as it was written", dir, record.ErrTampered, name)
		}
	}
	return m, nil
}

func readManifest(dir string) (BackupManifest, error) {
	var m BackupManifest
	text, err := os.ReadFile(filepath.Join(dir, manifestName))
	if err != nil {
		return m, fmt.Errorf("%s is no backup: %w", dir, err)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return m, fmt.Errorf("%s: %w", filepath.Join(dir, manifestName), err)
	}
	if m.Format != BackupFormat {
		return m, fmt.Errorf("%s: format %q is not known here, only %q", filepath.Join(dir, manifestName), m.Format, BackupFormat)
	}
	return m, nil
}

func hashFile(path string) (string, error) {
	in, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer in.Close()
	h := sha256.New()
	if _, err := io.Copy(h, in); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// Restored is what was put back.
type Restored struct {
	Manifest   BackupManifest
	Checkpoint string // over the records put back and the record of the restore
	Again      bool   // it was put back before; nothing was done
}

// Restore puts a backup into a place where the site is not, verifies it there against the checkpoint of the
// backup, and records that it did. A place where an earlier restore of the same backup was cut short is
// completed; one that holds anything else of the site is refused. The records after the backup are lost, as far
// as the devices do not send them again.
func Restore(ctx context.Context, f *app.Folder, o RestoreOptions) (Restored, error) {
	m, err := ReadBackup(o.Dir)
	if err != nil {
		return Restored{}, err
	}
	r := &restore{folder: f, manifest: m, o: o}
	out, err := r.run(ctx)
	if err != nil {
		return Restored{}, fmt.Errorf("restore site %s to %s: %w", m.Site, f.Where(), err)
	}
	return out, nil
}

type restore struct {
	folder   *app.Folder
	manifest BackupManifest
	o        RestoreOptions
	signer   *record.Signer
	secret   string // text of the signing key's file
}

func (r *restore) run(ctx context.Context) (Restored, error) {
	m := r.manifest
	log, err := r.folder.Log(ctx, m.Site)
	if err != nil {
		return Restored{}, err
	}
	if err := r.findKey(); err != nil {
		return Restored{}, err
	}
	export := filepath.Join(r.o.Dir, m.Site+recordsSuffix)
	result, err := verifyExport(ctx, export, r.signer.VerifierKey(), r.o.Progress("verifying the backup"))
	if err != nil {
		return Restored{}, err
	}
	if base64.StdEncoding.EncodeToString(result.Root[:]) != m.Root || result.Size != m.Size || result.Site != m.Site {
		return Restored{}, fmt.Errorf("%w: the records are not those of %s", record.ErrTampered, manifestName)
	}
	if again, err := r.before(ctx, log); again != "" || err != nil {
		return Restored{Manifest: m, Checkpoint: again, Again: true}, err
	}
	if err := r.records(ctx, log, export); err != nil {
		return Restored{}, err
	}
	if err := r.rest(ctx, log); err != nil {
		return Restored{}, err
	}
	if err := verifyAt(ctx, m.Site, log, m.Size, result.Root, r.o.Progress("verifying what was put back")); err != nil {
		return Restored{}, err
	}
	note, err := r.note(ctx)
	return Restored{Manifest: m, Checkpoint: note}, err
}

// findKey takes the signing key from the file named, the backup, or the target.
func (r *restore) findKey() error {
	site := r.manifest.Site
	path := r.o.SigningKey
	if path == "" && r.manifest.WithKey {
		path = filepath.Join(r.o.Dir, site+app.SecretSuffix)
	}
	if path == "" {
		signer, err := r.folder.Key(site)
		if err != nil {
			return fmt.Errorf("the backup does not hold the signing key: name its file with --signing-key FILE (%w)", err)
		}
		r.signer = signer
		return nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("signing key: %w", err)
	}
	r.secret = string(b)
	if r.signer, err = record.NewSigner(r.secret); err != nil {
		return fmt.Errorf("signing key %s: %w", path, err)
	}
	return nil
}

// before tells that this very backup was put back already, by giving the last checkpoint.
func (r *restore) before(ctx context.Context, log app.SiteLog) (string, error) {
	head, err := log.Head(ctx)
	if err != nil || head.Size <= r.manifest.Size {
		return "", err
	}
	note := ""
	err = log.Scan(ctx, r.manifest.Size+1, r.manifest.Size+1, func(_ int64, rec string) error {
		env, err := record.DecodeString(rec)
		if err != nil || env.Kind != haccp.KindRestored {
			return err
		}
		root, err := evidence.RootAt(ctx, log, r.manifest.Size)
		if err == nil && base64.StdEncoding.EncodeToString(root[:]) == r.manifest.Root {
			note, err = log.LastCheckpoint(ctx)
		}
		return err
	})
	if err == nil && note == "" {
		err = fmt.Errorf("%w: it holds %d records of this site already; a backup is put back where the site is not", haccp.ErrConflict, head.Size)
	}
	return note, err
}

// records copies the records of the export.
func (r *restore) records(ctx context.Context, log app.SiteLog, export string) error {
	c, err := newCopier(ctx, log, r.manifest.Size, r.o.Progress("putting back"))
	if err != nil {
		return err
	}
	in, err := os.Open(export)
	if err != nil {
		return err
	}
	defer in.Close()
	err = evidence.Records(ctx, bufio.NewReaderSize(in, 1<<20), func(_ int64, rec string) error { return c.add(ctx, rec) })
	if err != nil {
		return err
	}
	root, err := base64.StdEncoding.DecodeString(r.manifest.Root)
	if err != nil || len(root) != len(record.Head{}.Root) {
		return fmt.Errorf("%w: root of %s", record.ErrInvalid, manifestName)
	}
	return c.end(ctx, [32]byte(root))
}

// rest puts back key, checkpoints and credentials.
func (r *restore) rest(ctx context.Context, log app.SiteLog) error {
	if err := checkSigner(ctx, log, r.signer); err != nil {
		return err
	}
	if r.secret != "" {
		if err := r.folder.KeepKey(r.manifest.Site, r.signer, r.secret); err != nil {
			return err
		}
	}
	err := eachLine(filepath.Join(r.o.Dir, checkpointsName), func(l checkpointLine) error { return log.AddCheckpoint(ctx, l.Size, l.Note) })
	if err != nil {
		return err
	}
	if err := log.AddCheckpoint(ctx, r.manifest.Size, r.manifest.Checkpoint); err != nil {
		return err
	}
	accounts, err := r.folder.Accounts(r.manifest.Site)
	if err != nil {
		return err
	}
	return eachLine(filepath.Join(r.o.Dir, credentialsName), func(l credentialLine) error {
		return keepCredential(ctx, accounts, l.Kind, l.Owner, l.Secret, l.At)
	})
}

// eachLine reads a file of JSON lines.
func eachLine[T any](path string, fn func(T) error) error {
	in, err := os.Open(path)
	if err != nil {
		return err
	}
	defer in.Close()
	d := json.NewDecoder(bufio.NewReader(in))
	d.DisallowUnknownFields()
	for n := 1; ; n++ {
		var line T
		err := d.Decode(&line)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil {
			err = fn(line)
		}
		if err != nil {
			return fmt.Errorf("%s, entry %d: %w", filepath.Base(path), n, err)
		}
	}
}

// note records the restore and gives the checkpoint that is signed when the site is closed.
func (r *restore) note(ctx context.Context) (string, error) {
	m := r.manifest
	o, err := r.folder.OptionsWith(ctx, m.Site, r.signer)
	if err != nil {
		return "", err
	}
	o.Clock = r.o.Clock
	site, err := plant.Open(ctx, o)
	if err != nil {
		return "", err
	}
	body := haccp.Restored{Backup: filepath.Base(filepath.Clean(r.o.Dir)), Made: m.Made, Operator: r.o.Operator, Reason: r.o.Reason, Root: m.Root, Size: m.Size}
	_, err = site.Do(ctx, plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskRestore, At: r.o.Clock().UTC(),
		AtKnown: haccp.AtServer, By: app.Console(), Ask: &haccp.RestoreLog{Restored: body}}})
	if err = errors.Join(err, site.Close(context.WithoutCancel(ctx))); err != nil {
		return "", err
	}
	return o.Checkpoints.LastCheckpoint(ctx)
}
