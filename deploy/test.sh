#!/bin/sh
# Everything from a fresh Debian 12 or 13: set up a venv in the checkout, then check and test the lot.
# sh deploy/test.sh [options of pytest]
set -eu
here=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$here/deploy/setup.sh"
cd "$here"

now() { date +%s; }

start=$(now)
stages=

# stage NAME COMMAND...: run it, say how long it took, end at the first that fails.
stage() {
    name=$1
    shift
    say "$name ..."
    began=$(now)
    if "$@"; then
        stages="$stages
  $name: $(($(now) - began)) s"
    else
        fail "FAILED at: $name (exit code $?, after $(($(now) - start)) s)"
    fi
}

set_up() {
    # git for the list of tracked files, systemd for systemd-analyze: the tests of the house and of the units use them.
    wanted=
    command -v git >/dev/null 2>&1 || wanted="$wanted git"
    command -v systemd-analyze >/dev/null 2>&1 || wanted="$wanted systemd"
    # A real server for the copy to the central store; the tests start one of their own, the package's service rests.
    command -v victoria-metrics >/dev/null 2>&1 || wanted="$wanted victoria-metrics"
    # A broker for MQTT, in the same way.
    { command -v mosquitto || [ -x /usr/sbin/mosquitto ]; } >/dev/null 2>&1 || wanted="$wanted mosquitto"
    # shellcheck disable=SC2086 # a list of words
    [ -z "$wanted" ] || apt_get $wanted
    case $wanted in
    *victoria-metrics*)
        [ ! -d /run/systemd/system ] || as_root systemctl disable -q --now victoria-metrics.service ||
            say "could not stop the service victoria-metrics that came with the package"
        ;;
    esac
    case $wanted in
    *mosquitto*)
        [ ! -d /run/systemd/system ] || as_root systemctl disable -q --now mosquitto.service ||
            say "could not stop the service mosquitto that came with the package"
        ;;
    esac
    make_venv "$here/.venv" "[dev]"
}

bin=$here/.venv/bin
stage "set-up" set_up
stage "ruff check" "$bin/ruff" check -q .
stage "ruff format" "$bin/ruff" format -q --check .
stage "mypy" "$bin/mypy"
stage "import-linter" "$bin/lint-imports" --no-logo
stage "pytest" "$bin/python" -m pytest -q -n 2 --dist loadfile "$@"
say "all passed in $(($(now) - start)) s:$stages"
