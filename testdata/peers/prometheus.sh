#!/usr/bin/env bash
# Debian's Prometheus scrapes the demonstration for a while. Then: the names
# lint, the rules and their cases hold, every rule is evaluated without error,
# every expression of the dashboard is answered, a scrape is quick, and a set
# that goes away leaves no series behind.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)

missing=()
for package in prometheus curl python3; do dpkg -s "$package" >/dev/null 2>&1 || missing+=("$package"); done
if [ ${#missing[@]} -gt 0 ]; then
  apt-get update -q >/dev/null
  DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends "${missing[@]}" >/dev/null
fi

work=$(mktemp -d)
pids=()
cleanup() {
  kill "${pids[@]}" 2>/dev/null || true
  wait 2>/dev/null || true
  rm -rf "$work"
}
trap cleanup EXIT
cd "$work"

files="$root/deploy/prometheus"
promtool check config "$files/prometheus.yml"
promtool check rules "$files/tickover.rules.yml"
promtool test rules "$files/tickover.rules_test.yml"

go build -C "$root" -o "$work/tickover" ./cmd/tickover
read -r page server < <(/usr/bin/python3 - <<'PY'
import socket
held = [socket.socket() for _ in range(2)]
for s in held: s.bind(("127.0.0.1", 0))
print(*[s.getsockname()[1] for s in held])
PY
)
# Every kind of outlet, each to nobody, so that their series are there too.
cat >outlets.yaml <<'YAML'
remote write: [{name: away, url: "http://127.0.0.1:9/api/v1/write"}]
mqtt: [{name: house, broker: "127.0.0.1:9"}]
notify:
  targets: [{name: pager, webhook: "http://127.0.0.1:9/in"}]
  routes: [{priority: information, to: [pager]}]
YAML
./tickover demo --state state --listen "127.0.0.1:$page" --outlets outlets.yaml >demo.log 2>&1 &
daemon=$!
pids+=($daemon)
# The shipped configuration, scraping faster so that the check is short.
sed "s/127.0.0.1:8485/127.0.0.1:$page/; s/scrape_interval: 5s/scrape_interval: 1s/; s/scrape_timeout: 4s/scrape_timeout: 1s/; s/evaluation_interval: 5s/evaluation_interval: 1s/" \
  "$files/prometheus.yml" >prometheus.yml
cp "$files/tickover.rules.yml" .
prometheus --config.file=prometheus.yml --storage.tsdb.path=tsdb --web.listen-address="127.0.0.1:$server" >prometheus.log 2>&1 &
pids+=($!)

ask() { curl -sfG "http://127.0.0.1:$server/api/v1/query" --data-urlencode "query=$1"; }
number() { ask "$1" | /usr/bin/python3 -c 'import json,sys; r=json.load(sys.stdin)["data"]["result"]; print(r[0]["value"][1] if r else "none")'; }
wait_for() { # seconds expression: until it gives a series
  for _ in $(seq "$1"); do [ "$(number "$2" 2>/dev/null || echo none)" != none ] && return; sleep 1; done
  echo "no answer to $2 within $1 s"; tail -5 demo.log prometheus.log; exit 1
}
wait_for 60 'genset_engine_state{state="loaded"} == 1'
cpu() { awk '{print $14 + $15}' "/proc/$daemon/stat"; }
wait_for 30 'increase(genset_energy_joules_total[20s]) > 0 and on () (count_over_time(up[20s]) >= 15)'

curl -sf "http://127.0.0.1:$page/metrics" | promtool check metrics
echo "prometheus: the names lint"
curl -sf "http://127.0.0.1:$page/metrics" | sed -n 's/^# TYPE \([^ ]*\) .*/\1/p' | sort >shown
sed -n 's/^| `\([^`]*\)`.*/\1/p' "$root/deploy/docs/metrics.md" | sort >listed
unlisted=$(comm -23 shown listed | grep -v '^go_' || true)
[ -z "$unlisted" ] || { echo "metrics.md does not list $unlisted"; exit 1; }
grep -q tickover_outlet_lag_seconds shown && grep -q process_open_fds shown || { echo "not everything was on"; exit 1; }
echo "prometheus: metrics.md lists all $(grep -vc '^go_' shown) names shown"
series=$(number 'scrape_samples_scraped')
took=$(number 'quantile_over_time(0.5, scrape_duration_seconds[20s])')
echo "prometheus: $series series a scrape, median $took s with the network"

curl -sf "http://127.0.0.1:$server/api/v1/rules" | /usr/bin/python3 -c '
import json, sys
rules = [r for g in json.load(sys.stdin)["data"]["groups"] for r in g["rules"]]
bad = [r["name"] + ": " + r.get("lastError", r["health"]) for r in rules if r["health"] != "ok"]
print(f"prometheus: {len(rules)} rules evaluated, {len(bad)} with an error", *bad, sep="\n  ")
sys.exit(bool(bad) or len(rules) < 10)'

PROMETHEUS="http://127.0.0.1:$server" go test -C "$root/testdata/dashboard" -count=1 ./...

# A unit that stops answering: its series end at once, not after five minutes.
kill -9 "$daemon"; wait "$daemon" 2>/dev/null || true
sleep 3
left=$(number 'count({__name__=~"genset_.*"})')
[ "$left" = none ] || { echo "prometheus: $left series outlive the logger"; exit 1; }
wait_for 90 'ALERTS{alertname="LoggerUnreachable"}'
echo "prometheus: series end with the logger, and its silence is told"
