package server

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"filippo.io/age"

	"trigone/internal/private"
	"trigone/internal/storage/sqlite"
)

// BackupOptions say what is backed up and how.
type BackupOptions struct {
	StorePath string
	Out       string
	// Recipients are public keys of age (age1...): only who holds the other half can
	// read the backup. Empty: it is not encrypted.
	Recipients []string
	// RecipientFiles hold such keys, one each.
	RecipientFiles []string
}

// BackedUp says what a backup holds.
type BackedUp struct {
	Verified
	Bytes int64
	// Hash is the SHA-256 of the file, in hexadecimal.
	Hash      string
	Encrypted bool
}

// Backup writes a store to one new file, beside a server that runs, and reads it back:
// everything in it is held against its hashes. What is not encrypted lies beside the
// store while that is done, and is removed.
func Backup(ctx context.Context, o BackupOptions) (done BackedUp, err error) {
	keys := slices.Clone(o.Recipients)
	for _, path := range o.RecipientFiles {
		text, err := os.ReadFile(path)
		if err != nil {
			return done, fmt.Errorf("read a recipient: %w", err)
		}
		keys = append(keys, string(text))
	}
	recipients, err := parseRecipients(keys)
	if err != nil {
		return done, err
	}
	if _, err := os.Lstat(o.Out); err == nil {
		return done, fmt.Errorf("%s is there already: a backup never takes the place of another file", o.Out)
	}
	plain := o.StorePath + ".backup-part"
	defer func() { err = errors.Join(err, removeStore(plain)) }()
	if err := removeStore(plain); err != nil { // of a run that was ended
		return done, err
	}
	if err := sqlite.Backup(ctx, o.StorePath, plain); err != nil {
		return done, fmt.Errorf("back up: %w", err)
	}
	if done.Verified, err = whole(ctx, plain); err != nil {
		return done, fmt.Errorf("the backup is not whole: %w", err)
	}
	part := o.Out + ".part"
	defer func() {
		if err != nil {
			err = errors.Join(err, removeIfThere(part))
		}
	}()
	// A key of this run alone reads back what the recipients will: it is kept nowhere.
	reader, err := age.GenerateX25519Identity()
	if err != nil {
		return done, err
	}
	if len(recipients) > 0 {
		recipients = append(recipients, reader.Recipient())
		done.Encrypted = true
	}
	was, err := seal(plain, part, recipients)
	if err != nil {
		return done, fmt.Errorf("write the backup: %w", err)
	}
	// What was written is read from the disk, and must be what was sealed.
	var identities []age.Identity
	if done.Encrypted {
		identities = []age.Identity{reader}
	}
	is, file, size, err := unseal(part, "", identities)
	if err != nil {
		return done, fmt.Errorf("read the backup back: %w", err)
	}
	if is != was {
		return done, errors.New("the backup read back is not what was written")
	}
	done.Hash, done.Bytes = file, size
	if err := os.Rename(part, o.Out); err != nil {
		return done, err
	}
	return done, syncFolder(o.Out)
}

func parseRecipients(texts []string) (list []age.Recipient, err error) {
	for _, text := range texts {
		r, err := age.ParseX25519Recipient(strings.TrimSpace(text))
		if err != nil {
			return nil, errors.New("a recipient of a backup is a public key that begins with age1; trigoned backup-key makes one")
		}
		list = append(list, r)
	}
	return list, nil
}

// whole verifies a store that nobody writes.
func whole(ctx context.Context, path string) (Verified, error) {
	var first string
	v, err := sqlite.Verify(ctx, path, func(where string) {
		if first == "" {
			first = where
		}
	})
	if err == nil && v.Damaged > 0 {
		err = fmt.Errorf("%d damages, the first: %s", v.Damaged, first)
	}
	if err == nil {
		_, err = sqlite.VerifyAccess(ctx, path, nil, nil)
	}
	return v, err
}

// seal copies a file, encrypted if there are recipients, and gives the SHA-256 of what
// it held.
func seal(from, to string, recipients []age.Recipient) (hash string, err error) {
	in, err := os.Open(from)
	if err != nil {
		return "", err
	}
	defer func() { _ = in.Close() }() // it was only read
	out, err := private.Create(to)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	sum := sha256.New()
	into := io.Writer(out)
	var sealed io.WriteCloser
	if len(recipients) > 0 {
		if sealed, err = age.Encrypt(out, recipients...); err != nil {
			return "", err
		}
		into = sealed
	}
	if _, err := io.Copy(io.MultiWriter(into, sum), in); err != nil {
		return "", err
	}
	if sealed != nil {
		if err := sealed.Close(); err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(sum.Sum(nil)), out.Sync()
}

// unseal reads a backup, into a new file if one is named, and gives the SHA-256 of what
// it holds and of the backup itself.
func unseal(from, to string, identities []age.Identity) (content, file string, size int64, err error) {
	in, err := os.Open(from)
	if err != nil {
		return "", "", 0, err
	}
	defer func() { _ = in.Close() }() // it was only read
	ofFile, ofContent := sha256.New(), sha256.New()
	counted := &countingReader{from: io.TeeReader(in, ofFile)}
	read := io.Reader(counted)
	if len(identities) > 0 {
		if read, err = age.Decrypt(counted, identities...); err != nil {
			return "", "", 0, fmt.Errorf("it cannot be decrypted with this key: %w", err)
		}
	}
	into := io.Writer(ofContent)
	if to != "" {
		out, err := private.Create(to)
		if err != nil {
			return "", "", 0, err
		}
		defer func() { err = errors.Join(err, out.Sync(), out.Close()) }()
		into = io.MultiWriter(ofContent, out)
	}
	if _, err := io.Copy(into, read); err != nil {
		return "", "", 0, err
	}
	if _, err := io.Copy(io.Discard, counted); err != nil { // to the end of the file
		return "", "", 0, err
	}
	return hex.EncodeToString(ofContent.Sum(nil)), hex.EncodeToString(ofFile.Sum(nil)), counted.n, nil
}

type countingReader struct {
	from io.Reader
	n    int64
}

// Read counts.
func (c *countingReader) Read(p []byte) (int, error) {
	n, err := c.from.Read(p)
	c.n += int64(n)
	return n, err
}

// RestoreOptions say what is restored, where.
type RestoreOptions struct {
	From      string
	StorePath string
	// IdentityFile holds the private key of an encrypted backup; empty: it is not
	// encrypted.
	IdentityFile string
	// Hash is what the backup's SHA-256 must be; empty: it is not known.
	Hash string
	// ErasuresFile is the list of erasures of the service, of which those that the
	// backup does not know are made again; empty: there is none.
	ErasuresFile string
	// AccessKeyFile holds the key that signed that list, or its public half; empty: it
	// was not signed.
	AccessKeyFile string
	PolicyPath    string
}

// RestoredStore says what was restored.
type RestoredStore struct {
	Verified
	// Erased is how many erasures were made again.
	Erased int
}

// Restore makes a store of a backup, where none is yet: it is held against its hashes
// first, and what was erased since is erased again before anybody can read it.
func Restore(ctx context.Context, o RestoreOptions) (done RestoredStore, err error) {
	for _, name := range []string{o.StorePath, o.StorePath + "-wal"} {
		if _, err := os.Lstat(name); err == nil {
			return done, fmt.Errorf("%s is there: a backup never takes the place of a record; stop the service and move it away", name)
		}
	}
	erased, err := readErasures(o.ErasuresFile, o.AccessKeyFile)
	if err != nil {
		return done, err
	}
	var identities []age.Identity
	if o.IdentityFile != "" {
		if identities, err = readIdentities(o.IdentityFile); err != nil {
			return done, err
		}
	}
	part := o.StorePath + ".restore-part"
	defer func() {
		if err != nil {
			err = errors.Join(err, removeStore(part))
		}
	}()
	if err := removeStore(part); err != nil {
		return done, err
	}
	_, hash, _, err := unseal(o.From, part, identities)
	if err != nil {
		return done, fmt.Errorf("read the backup: %w", err)
	}
	if o.Hash != "" && !strings.EqualFold(o.Hash, hash) {
		return done, fmt.Errorf("the SHA-256 of %s is %s, not the one given: it is another file, or was changed", o.From, hash)
	}
	if done.Verified, err = whole(ctx, part); err != nil {
		return done, fmt.Errorf("the backup is not whole: %w", err)
	}
	if done.Erased, err = eraseAgain(ctx, part, o.PolicyPath, erased); err != nil {
		return done, fmt.Errorf("erase again what was erased since: %w", err)
	}
	if err := os.Rename(part, o.StorePath); err != nil {
		return done, err
	}
	return done, errors.Join(removeIfThere(part+"-wal"), removeIfThere(part+"-shm"), syncFolder(o.StorePath))
}

func readIdentities(path string) ([]age.Identity, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read the key of the backup: %w", err)
	}
	defer func() { _ = f.Close() }() // it was only read
	list, err := age.ParseIdentities(f)
	if err != nil {
		return nil, fmt.Errorf("%s holds no key of a backup: %w", path, err)
	}
	return list, nil
}

// NewBackupKey writes a private key to a new file, for its owner alone, and beside it
// the public one, which it gives.
func NewBackupKey(path string) (recipient string, err error) {
	key, err := age.GenerateX25519Identity()
	if err != nil {
		return "", err
	}
	if _, err := os.Lstat(path); err == nil {
		return "", fmt.Errorf("%s is there already: a new key never takes the place of another", path)
	}
	recipient = key.Recipient().String()
	return recipient, errors.Join(
		private.Write(path, fmt.Appendf(nil, "# public key: %s\n%s\n", recipient, key)),
		private.Write(path+".pub", []byte(recipient+"\n")))
}

func removeStore(path string) error {
	return errors.Join(removeIfThere(path), removeIfThere(path+"-wal"), removeIfThere(path+"-shm"), removeIfThere(path+"-journal"))
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

func syncFolder(path string) error {
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
