package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"trigone/server"
)

func backupCommand() *cobra.Command {
	var o server.BackupOptions
	c := &cobra.Command{
		Use:   "backup",
		Short: "Write a store to one file, beside a server that runs",
		Long: `backup writes the store as it is at one moment to a new file, holds everything in it
against its hashes, and reads the file back from the disk. With --recipient-file it is
encrypted (the format of age, age-encryption.org): only who holds the private key can
read it, and the machine that makes backups need not hold it. backup-key makes a pair.
What it prints last is the SHA-256 of the file, as sha256sum does: keep it elsewhere.

Erased cases are in no backup made after the erasure. One made before still holds them:
keep the list of erasures, STORE.erasures, with the backups, and give it to restore.

Exit codes: 0 written and read back, 1 failed and no file is left, 2 wrong use.`,
		Example: `  trigoned backup --store trigone.db --out monday.backup --recipient-file backup.key.pub
  trigoned backup --store trigone.db --out monday.db`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if o.Out == "" {
				return fmt.Errorf("%w: --out names the file to write", errUsage)
			}
			done, err := server.Backup(cmd.Context(), o)
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "%d cases, %d revisions, %d answers: every hash matches, and the file was read back\n", done.Cases, done.Revisions, done.Answers)
			if !done.Encrypted {
				fmt.Fprintln(out, "NOT ENCRYPTED: whoever reads the file reads patient records; give --recipient-file")
			}
			fmt.Fprintf(out, "%d bytes\n%s  %s\n", done.Bytes, done.Hash, filepath.Base(o.Out))
			return nil
		},
	}
	c.Flags().StringVar(&o.StorePath, "store", "trigone.db", "SQLite file of the record")
	c.Flags().StringVar(&o.Out, "out", "", "file to write; it must not be there")
	c.Flags().StringArrayVar(&o.RecipientFiles, "recipient-file", nil, "file of such a key, as backup-key writes it; may be repeated")
	c.Flags().StringArrayVar(&o.Recipients, "recipient", nil, "public key, age1..., for whom it is encrypted; may be repeated")
	return c
}

func restoreCommand() *cobra.Command {
	var o server.RestoreOptions
	c := &cobra.Command{
		Use:   "restore",
		Short: "Make a store of a backup, where none is yet",
		Long: `restore reads a backup into a new store: everything in it is held against its hashes,
and what was erased since the backup is erased again before the store has its name. Who
serves from it then: start trigoned on it. A store that is there is never replaced; stop
the service and move it away.

Give --erasures, the list that the service keeps beside its store: without it a patient
who was erased comes back. With --access-key-file every line of it must be signed.

Exit codes: 0 restored and whole, 1 failed and no store is left, 2 wrong use.`,
		Example: `  trigoned restore --from monday.backup --key-file backup.key --sha256 9f86d0... --erasures trigone.db.erasures --store restored.db`,
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if o.From == "" {
				return fmt.Errorf("%w: --from names the backup", errUsage)
			}
			done, err := server.Restore(cmd.Context(), o)
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "%d cases, %d revisions, %d answers: every hash matches\n", done.Cases, done.Revisions, done.Answers)
			if o.ErasuresFile == "" {
				fmt.Fprintln(out, "NO LIST OF ERASURES WAS GIVEN: who was erased since the backup is back")
			} else {
				fmt.Fprintf(out, "%d erasures made again\n", done.Erased)
			}
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&o.From, "from", "", "the backup")
	f.StringVar(&o.StorePath, "store", "trigone.db", "SQLite file to make; it must not be there")
	f.StringVar(&o.IdentityFile, "key-file", "", "private key of an encrypted backup")
	f.StringVar(&o.Hash, "sha256", "", "what the SHA-256 of the backup must be")
	f.StringVar(&o.ErasuresFile, "erasures", "", "list of erasures, kept beside the store as STORE.erasures")
	f.StringVar(&o.AccessKeyFile, "access-key-file", "", "key that signed that list, or its public half, PEM")
	f.StringVar(&o.PolicyPath, "policy", "", "the site's clinical policy, YAML; default: the built-in one")
	return c
}

func backupKeyCommand() *cobra.Command {
	var out string
	c := &cobra.Command{
		Use:   "backup-key",
		Short: "Make a pair of keys for encrypted backups",
		Long: `backup-key writes a private key to a new file, for its owner alone, and the public one
beside it, FILE.pub, which backup takes as --recipient-file. Keep the private key off the machine of
the service, and twice: without it no backup can be read.

Exit codes: 0 made, 1 failed, 2 wrong use.`,
		Example: `  trigoned backup-key --out backup.key`,
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if out == "" {
				return fmt.Errorf("%w: --out names the file of the private key", errUsage)
			}
			recipient, err := server.NewBackupKey(out)
			if err != nil {
				return err
			}
			fmt.Fprintln(cmd.OutOrStdout(), recipient)
			return nil
		},
	}
	c.Flags().StringVar(&out, "out", "", "file of the private key; it must not be there")
	return c
}
