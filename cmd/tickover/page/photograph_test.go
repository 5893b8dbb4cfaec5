//go:build browser

package page

import (
	"image"
	"image/color"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// photograph writes a large picture, as a telephone takes it.
func photograph(t *testing.T) string {
	t.Helper()
	picture := image.NewRGBA(image.Rect(0, 0, 3000, 2000))
	noise := rand.New(rand.NewPCG(1, 2))
	for y := range 2000 {
		for x := range 3000 {
			picture.Set(x, y, color.RGBA{uint8(x / 12), uint8(y / 8), uint8(noise.IntN(60)), 255})
		}
	}
	name := filepath.Join(t.TempDir(), "photo.jpg")
	f, err := os.Create(name)
	must(t, err)
	must(t, jpeg.Encode(f, picture, nil))
	must(t, f.Close())
	return name
}
