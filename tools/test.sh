#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Every test of airhold with one command: installs what is missing (as root, from Debian's packages, the npm registry
# and Go modules), builds, and runs each step by name and time. With CI set, a skip is a failure.
set -uo pipefail
cd "$(dirname "$0")/.." || exit 1
export GOTOOLCHAIN=local CGO_ENABLED=1 GOFLAGS=-buildvcs=false
lint_version=v2.15.0

tools_needed=(chromium:chromium mosquitto:mosquitto mosquitto_sub:mosquitto-clients qemu-aarch64-static:qemu-user-static
  shellcheck:shellcheck tshark:tshark capinfos:wireshark-common gcc:gcc git:git systemd-analyze:systemd log2long:can-utils xz:xz-utils
  qemu-system-aarch64:qemu-system-arm qemu-storage-daemon:qemu-system-common mkfs.ext4:e2fsprogs depmod:kmod)
python_needed=(can:python3-can canmatrix:python3-canmatrix) # for Debian's own python, not another one on the path
missing=()
gopath=$(go env GOPATH 2>/dev/null || echo "$HOME/go")
PATH="$PATH:/usr/sbin:/usr/local/go/bin:$gopath/bin"
export PATH
for t in "${tools_needed[@]}"; do
  command -v "${t%%:*}" >/dev/null 2>&1 || missing+=("${t##*:}")
done
for t in "${python_needed[@]}"; do
  /usr/bin/python3 -c "import ${t%%:*}" >/dev/null 2>&1 || missing+=("${t##*:}")
done
command -v go >/dev/null 2>&1 || { echo "airhold needs Go 1.26 or newer (package golang-go of a recent Debian, or the Go installer)"; exit 2; }
command -v node >/dev/null 2>&1 || { echo "the page's build and tests need Node 20.19 or newer"; exit 2; }
if [ "${#missing[@]}" -gt 0 ]; then
  if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    echo "== install: ${missing[*]}"
    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "${missing[@]}" </dev/null >/dev/null || exit 2
  else
    echo "The tests need some Debian packages. Run this line, then the tests again:"
    echo "  sudo apt-get install -y ${missing[*]}"
    exit 2
  fi
fi

failed=()
step() { # name, command...
  local name=$1 begun=$SECONDS
  shift
  echo "== $name"
  if "$@"; then
    echo "-- $name: ok, $((SECONDS - begun)) s"
  else
    echo "-- $name: FAILED, $((SECONDS - begun)) s"
    failed+=("$name")
  fi
}
# A step that waits more than it works runs beside the next ones: begin it here, and end it where its place is.
begin() { # name, command...
  begun_name=$1 begun_at=$SECONDS begun_log=$(mktemp)
  shift
  echo "== $begun_name: begun beside what follows"
  "$@" </dev/null >"$begun_log" 2>&1 &
  begun_pid=$!
}
begun() {
  local rc=0
  wait "$begun_pid" || rc=$?
  cat "$begun_log"
  rm -f "$begun_log"
  echo "($begun_name: $((SECONDS - begun_at)) s since it was begun)"
  return "$rc"
}

page_build() {
  (cd firmware/tablet/page && npm ci --no-audit --no-fund --loglevel=error && npm run --silent build && npm test --silent) || return 1
  # The built page is committed, so that go build alone gives a working box: it must be what the sources give.
  git diff --exit-code --stat -- firmware/tablet/dist
}
peers() { # libraries that tests compare with
  local lock
  while read -r lock; do
    npm ci --ignore-scripts --prefix "$(dirname "$lock")" --no-audit --no-fund --loglevel=error || return 1
  done < <(git ls-files '*/testdata/peer/package-lock.json')
}
peer_module() { (cd tools/bench/peers && go vet ./... && go build -o /dev/null .); }
page_screens() { (cd firmware/tablet/page && npm run --silent e2e); }
format() {
  local out
  out=$(git ls-files '*.go' | grep -v /testdata/ | xargs gofmt -l)
  [ -z "$out" ] && return
  echo "$out"
  return 1
}
lint() {
  if ! golangci-lint version 2>/dev/null | grep -q "${lint_version#v}"; then
    go install "github.com/golangci/golangci-lint/v2/cmd/golangci-lint@$lint_version" || return 1
  fi
  golangci-lint run ./...
}
fuzz() { # each target for some seconds
  local pkg target try
  while read -r pkg target; do
    echo "fuzz $pkg $target"
    for try in 1 2 3; do
      go test -run '^$' -fuzz "^$target\$" -fuzztime "${AIRHOLD_FUZZTIME:-4s}" -fuzzminimizetime 5x "$pkg" >/tmp/airhold-fuzz.$$ 2>&1 && break
      # Up to Go 1.26 the fuzzer may take the end of its time for a failure of the target (go.dev/issue/75804). It is only
      # that when nothing else is reported and no input was written down; anything else is a failure at once.
      if [ "$try" = 3 ] || ! only_deadline /tmp/airhold-fuzz.$$; then
        cat /tmp/airhold-fuzz.$$
        return 1
      fi
      echo "the fuzzer's own end of time was reported as a failure (go.dev/issue/75804); once more"
    done
    tail -1 /tmp/airhold-fuzz.$$
  done < <(grep -rl --include='*_test.go' '^func Fuzz' . | while read -r f; do
    grep -oE '^func Fuzz[A-Za-z0-9_]+' "$f" | sed "s|^func |$(dirname "$f") |"
  done | sort -u)
  rm -f /tmp/airhold-fuzz.$$
}
only_deadline() { # file: whether the output of a fuzz run complains of nothing but its deadline
  grep -qE '^ +context deadline exceeded$' "$1" &&
    ! grep -vE '^(fuzz: (elapsed|minimizing)|--- FAIL: Fuzz| +context deadline exceeded$|FAIL|exit status 1$|PASS$)' "$1" | grep -q .
}
alone() { # packages that begin nothing beside themselves: the race detector would only make them slow. Their tests may run beside
  # one another, but share nothing: the linter allows no package variables (gochecknoglobals).
  local pkg dir
  go list -f '{{.ImportPath}} {{.Dir}}' ./... | while read -r pkg dir; do
    grep -qE '\bgo func|\.Go\(func|AfterFunc\(|\bgo [A-Za-z.]+\(|^(import|\s)\s*"(sync|sync/atomic|net/http)"$' "$dir"/*.go || echo "$pkg"
  done
}
race() {
  local quiet rc=0
  quiet=$(alone)
  # shellcheck disable=SC2046
  go test -race -short -timeout 20m $(go list ./... | grep -vxF "$quiet") || rc=1
  # shellcheck disable=SC2086
  go test -short -timeout 10m $quiet || rc=1
  return "$rc"
}
long_tests() { # those that -short cuts down
  local files names
  files=$(git grep -l 'testing.Short()' -- '*_test.go')
  names=$(for f in $files; do
    awk '/^func Test/ { name = $2; sub(/\(.*/, "", name) } /testing.Short\(\)/ { print name }' "$f"
  done | sort -u | paste -sd'|')
  # shellcheck disable=SC2046
  go test -timeout 10m -run "^($names)\$" $(for f in $files; do echo "./$(dirname "$f")"; done | sort -u)
}
cross() {
  CGO_ENABLED=0 GOARCH=arm64 go build -o /dev/null ./cmd/airhold && CGO_ENABLED=0 GOARCH=arm GOARM=7 go build -o /dev/null ./cmd/airhold &&
    CGO_ENABLED=0 GOARCH=arm GOARM=7 go vet ./sensors/... ./bus/... ./firmware/... ./config/...
}
arm_pure() {
  local pkgs
  pkgs=$(go list ./sensors/... ./config ./bus ./bus/j1939 ./firmware/findings ./firmware/readings ./firmware/alarms ./firmware/supply ./firmware/trust \
    ./firmware/pneumatics ./firmware/humidair ./firmware/care ./firmware/supply/overnight ./firmware/leakdown ./firmware/leakdown/zones)
  # shellcheck disable=SC2086
  CGO_ENABLED=0 GOARCH=arm64 go test -short -exec qemu-aarch64-static $pkgs
}

units() { # exposure at most 2.5 of 10
  local unit
  for unit in systemd/*.service; do
    systemd-analyze security --offline=true --threshold=25 --no-pager "$unit" | tail -1 || return 1
  done
}

step "page: build, byte for byte, and unit tests" page_build
begin "page: its screens in Chromium on invented states" page_screens
step "peers: libraries that tests compare with" peers
step "go: format" format
step "go: vet" go vet ./...
step "go: lint" lint
step "go: who may import whom, and nothing transmits" go run ./tools/importcheck
step "go: tests, with the race detector where things run beside one another" race
step "go: the long ones, whole and without it" long_tests
step "go: builds for arm64 and armv7 without cgo" cross
step "go: pure packages on arm64 under emulation" arm_pure
step "go: fuzz each decoder" fuzz
step "page: its screens in Chromium on invented states" begun
step "units: what the services may do" units
step "shell: shellcheck" shellcheck tools/*.sh .ci/run
step "bench: the nested module of peers" peer_module
step "bench: a slice of the bus bars beside other programs (prints its seed; well below a bar it fails)" go run ./tools/bench bus -slice
step "system: the arm64 binary on a real kernel, in an emulated box" go run ./tools/systemtest -slice
step "bench: a slice of the season (prints its seed; outside bar and chance it fails)" go run ./tools/bench season -slice
step "bench: a slice of the leak-down benchmark (prints its seed; outside bar and chance it fails)" go run ./tools/bench leakdown -slice
step "bench: three kills in mid-alert, tablets held against the journal" go run ./tools/bench page -slice
step "page: the demo in Chromium against the rig's truth, and three people's days" go test -count=1 -tags e2e -timeout 15m ./tools/story

echo
if [ "${#failed[@]}" -gt 0 ]; then
  printf 'failed: %s\n' "${failed[@]}"
  exit 1
fi
echo "all steps passed in $SECONDS s"
