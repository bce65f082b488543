package transfer

import (
	"bufio"
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

	"linewarden/internal/app"
	"linewarden/internal/app/durable"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

// BackupFormat is the format word of a backup.
const BackupFormat = "linewarden-backup-1"

// The files of a backup beside the records and the keys, which bear the site's name.
const (
	manifestName    = "backup.json"
	checkpointsName = "checkpoints.ndjson"
	credentialsName = "credentials.ndjson"
	recordsSuffix   = ".records.ndjson"
	unfinished      = ".unfinished-" // follows the name of a backup while it is written
)

// BackupManifest says what a backup holds. It is the last file to be written.
type BackupManifest struct {
	Format     string            `json:"format"`
	Site       string            `json:"site"`
	Name       string            `json:"name"`
	LogID      string            `json:"log_id"`
	Made       time.Time         `json:"made"`
	Size       int64             `json:"size"`       // records
	Root       string            `json:"root"`       // base64
	Checkpoint string            `json:"checkpoint"` // signed, over all of them
	WithKey    bool              `json:"with_key"`   // the signing key is in it
	Program    string            `json:"program"`
	Files      map[string]string `json:"files"` // name to SHA-256, hex
}

// BackupOptions say what is backed up, and where to.
type BackupOptions struct {
	Site     string // empty: the only one
	Dir      string // folder to make; it must not be there
	WithKey  bool   // put the signing key into it
	Now      time.Time
	Program  string
	Progress func(what string) func(done, total int64)
}

type checkpointLine struct {
	Size int64  `json:"size"`
	Note string `json:"note"`
}

type credentialLine struct {
	Kind   string    `json:"kind"`
	Owner  string    `json:"owner"`
	Secret string    `json:"secret"` // hashed
	At     time.Time `json:"at,omitzero"`
}

// Backup writes a backup of a site into a new folder: the records as an export that anybody can verify, the
// stored checkpoints, the people's hashed credentials, and, only where asked for, the signing key. It may run
// while a server records: it holds the records up to the head at its beginning. What was written is verified
// against the checkpoint before the folder gets its name. Sessions and counters are left out.
func Backup(ctx context.Context, f *app.Folder, o BackupOptions) (BackupManifest, error) {
	site, err := f.SiteID(ctx, o.Site)
	if err != nil {
		return BackupManifest{}, err
	}
	if _, err := os.Lstat(o.Dir); err == nil {
		return BackupManifest{}, fmt.Errorf("%s is there already: a backup goes into a new folder", o.Dir)
	}
	tmp, err := os.MkdirTemp(filepath.Dir(filepath.Clean(o.Dir)), filepath.Base(o.Dir)+unfinished+"*")
	if err != nil {
		return BackupManifest{}, fmt.Errorf("backup: %w", err)
	}
	b := &backup{folder: f, site: site, dir: tmp, o: o}
	b.manifest = BackupManifest{Format: BackupFormat, Site: site, Made: o.Now.UTC().Truncate(time.Millisecond), WithKey: o.WithKey,
		Program: o.Program, Files: map[string]string{}}
	err = b.write(ctx)
	if err == nil {
		err = os.Rename(tmp, o.Dir)
	}
	if err == nil {
		err = durable.SyncFolder(filepath.Dir(filepath.Clean(o.Dir)))
	}
	if err != nil {
		return BackupManifest{}, errors.Join(fmt.Errorf("backup of site %s: %w", site, err), os.RemoveAll(tmp))
	}
	return b.manifest, nil
}

// backup is one that is being written.
type backup struct {
	folder   *app.Folder
	site     string
	dir      string
	o        BackupOptions
	manifest BackupManifest
}

func (b *backup) write(ctx context.Context) error {
	f, m := b.folder, &b.manifest
	log, err := f.Log(ctx, b.site)
	if err != nil {
		return err
	}
	signer, err := f.Key(b.site)
	if err != nil {
		return err
	}
	if err := checkSigner(ctx, log, signer); err != nil {
		return err
	}
	founding, err := f.Founding(ctx, b.site)
	if err != nil {
		return err
	}
	head, err := log.Head(ctx)
	if err != nil {
		return err
	}
	m.Name, m.LogID, m.Size, m.Root = founding.Name, founding.LogID, head.Size, base64.StdEncoding.EncodeToString(head.Root[:])
	if m.Checkpoint, err = signer.Sign(record.Checkpoint{Site: b.site, LogID: founding.LogID, Size: head.Size, Root: head.Root}); err != nil {
		return err
	}
	if err := b.records(ctx, log, signer.VerifierKey()); err != nil {
		return err
	}
	if err := b.rest(ctx, log, signer); err != nil {
		return err
	}
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	return durable.Write(filepath.Join(b.dir, manifestName), string(text)+"\n", 0o600)
}

// records writes the export and verifies the file.
func (b *backup) records(ctx context.Context, log record.Log, key string) error {
	name := b.site + recordsSuffix
	err := b.file(name, 0o600, func(w io.Writer) error {
		return evidence.Export(ctx, w, log, evidence.ExportOptions{Checkpoint: b.manifest.Checkpoint, Key: key, Progress: b.o.Progress("writing records")})
	})
	if err != nil {
		return err
	}
	_, err = verifyExport(ctx, filepath.Join(b.dir, name), key, b.o.Progress("verifying"))
	return err
}

// verifyExport verifies a whole export with a key.
func verifyExport(ctx context.Context, path, key string, progress func(done, total int64)) (evidence.Result, error) {
	in, err := os.Open(path)
	if err != nil {
		return evidence.Result{}, err
	}
	defer in.Close()
	result, err := evidence.Verify(ctx, bufio.NewReaderSize(in, 1<<20), evidence.VerifyOptions{Key: key, Progress: progress})
	if err == nil && result.Fault != nil {
		err = result.Fault
	}
	if err == nil && (result.First != 1 || result.Last != result.Size) {
		err = fmt.Errorf("%w: it is only a part of the log", record.ErrInvalid)
	}
	return result, err
}

// rest writes what stands beside the records.
func (b *backup) rest(ctx context.Context, log record.Checkpoints, signer *record.Signer) error {
	err := b.file(checkpointsName, 0o600, func(w io.Writer) error {
		lines := json.NewEncoder(w)
		return log.EachCheckpoint(ctx, -1, func(size int64, note string) error {
			if size > b.manifest.Size {
				return nil // of a record that came meanwhile
			}
			return lines.Encode(checkpointLine{size, note})
		})
	})
	if err != nil {
		return err
	}
	err = b.file(credentialsName, 0o600, func(w io.Writer) error {
		lines := json.NewEncoder(w)
		return b.folder.EachCredential(ctx, b.site, func(kind, owner, secret string, at time.Time) error {
			return lines.Encode(credentialLine{kind, owner, secret, at})
		})
	})
	if err != nil {
		return err
	}
	err = b.file(b.site+app.PublicSuffix, 0o644, func(w io.Writer) error {
		_, err := io.WriteString(w, signer.VerifierKey()+"\n")
		return err
	})
	if err != nil || !b.o.WithKey {
		return err
	}
	path, _ := b.folder.KeyFile(b.site)
	secret, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("signing key: %w", err)
	}
	return b.file(b.site+app.SecretSuffix, 0o600, func(w io.Writer) error {
		_, err := w.Write(secret)
		return err
	})
}

// file writes one file of the backup and notes its hash.
func (b *backup) file(name string, mode os.FileMode, work func(w io.Writer) error) error {
	out, err := os.OpenFile(filepath.Join(b.dir, name), os.O_CREATE|os.O_EXCL|os.O_WRONLY, mode)
	if err != nil {
		return err
	}
	hash := sha256.New()
	w := bufio.NewWriterSize(io.MultiWriter(out, hash), 1<<20)
	err = work(w)
	if err == nil {
		err = errors.Join(w.Flush(), out.Sync())
	}
	if err = errors.Join(err, out.Close()); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	b.manifest.Files[name] = hex.EncodeToString(hash.Sum(nil))
	return nil
}
