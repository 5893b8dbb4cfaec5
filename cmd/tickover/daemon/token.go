package daemon

import (
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Files in the state folder. The content of the first lets a page write:
// acknowledge, note, set the time. That of the second lets it read, where
// reading needs a token.
const (
	TokenName        = "token"
	ReadingTokenName = "reading-token"
)

// Token returns one of the state folder's tokens; the first call makes it,
// readable by its owner alone.
func Token(state, name string) (string, error) {
	path := filepath.Join(state, name)
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		text, err := os.ReadFile(path)
		if err != nil {
			return "", fmt.Errorf("read the token: %w", err)
		}
		return strings.TrimSpace(string(text)), nil
	}
	if err != nil {
		return "", fmt.Errorf("make the token: %w", err)
	}
	fresh := rand.Text()
	_, err = fmt.Fprintln(f, fresh)
	return fresh, errors.Join(err, f.Close())
}
