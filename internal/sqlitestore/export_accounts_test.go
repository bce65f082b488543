package sqlitestore

import "fmt"

// SetAccountsVersion makes the file look as if another program wrote it.
func SetAccountsVersion(s *Accounts, version int) error {
	_, err := s.db.Exec(fmt.Sprintf("PRAGMA user_version = %d", version))
	return err
}
