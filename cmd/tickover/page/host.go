package page

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// localDomains are domains that the public system of names does not give out, so
// that no stranger can make a name below one lead here: local (RFC 6762),
// home.arpa (RFC 8375), internal (reserved by ICANN in 2024), and three that are
// common practice of home routers.
var localDomains = []string{"local", "localdomain", "lan", "home", "home.arpa", "internal"}

// KnownHosts refuses requests for a name that is not one of ours: a stranger's
// page could let its own name lead to this address and then read what is served
// (DNS rebinding). An address in place of a name is always ours, since a
// browser takes each for a site of its own. proved says that next asks for a
// password or token; a request that carries one is then let through to it.
func KnownHosts(next http.Handler, names []string, proved bool) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if knownHost(r.Host, names) || proved && r.Header.Get("Authorization") != "" {
			next.ServeHTTP(w, r)
			return
		}
		w.Header().Set("Connection", "close")
		refuse(w, http.StatusMisdirectedRequest, fmt.Sprintf("%.80q is not a name of this logger", r.Host),
			"use its address, or add the name to the configuration: host names: [...]")
	})
}

// knownHost reports whether a Host header names us. The first of the names is
// the computer's own.
func knownHost(host string, names []string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if _, err := netip.ParseAddr(host); err == nil {
		return true
	}
	if host == "" || host == "localhost" || strings.HasSuffix(host, ".localhost") {
		return true // no browser sends none
	}
	return slices.ContainsFunc(names, func(name string) bool {
		name = strings.ToLower(name)
		own, domain, _ := strings.Cut(host, ".")
		return host == name || own == name && slices.Contains(localDomains, domain) || domain != "" && "*."+domain == name
	})
}
