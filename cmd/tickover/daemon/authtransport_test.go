package daemon

import (
	"net/http"
	"net/http/httptest"
	"testing"

	"tickover/model"
)

// An Alertmanager's address has no path of its own. The path below it was sent
// without a slash in front, and every server refused it.
func TestAPathIsPutBelowAnAddressWithoutOne(t *testing.T) {
	var asked []string
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		asked = append(asked, r.URL.Path)
	}))
	defer server.Close()
	for _, c := range []struct{ address, want string }{
		{server.URL, "/api/v2/alerts"}, {server.URL + "/", "/api/v2/alerts"}, {server.URL + "/prefix", "/prefix/api/v2/alerts"},
	} {
		asked = nil
		client, err := new(Secrets).Client(model.Access{}, Address{url: c.address})
		if err != nil {
			t.Fatal(err)
		}
		resp, err := client.Post(StandIn("router")+"/api/v2/alerts", "application/json", nil)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK || len(asked) != 1 || asked[0] != c.want {
			t.Errorf("%s: %s, asked for %v, want %s", c.address, resp.Status, asked, c.want)
		}
	}
}
