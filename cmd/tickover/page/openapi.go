package page

import (
	_ "embed"
	"net/http"
)

// openAPI describes every address below /api/ for programs; a test holds it
// against the handlers.
//
//go:embed openapi.yaml
var openAPI []byte

func apiDescription(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/yaml; charset=utf-8")
	_, _ = w.Write(openAPI) // the reader may be gone
}
