# Sourced by demo.sh, test.sh and install.sh: a Python, a venv, and halfmark in it. POSIX sh; asks nothing.
# Needs: here = the checkout.

python_least=3.11

say() { printf '%s\n' "halfmark: $*"; }

fail() {
    printf '%s\n' "halfmark: $*" >&2
    exit 1
}

# as_root COMMAND...: as root, or through sudo where it asks for no password.
as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    elif command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
        sudo -n "$@"
    else
        return 1
    fi
}

# apt_get PACKAGE...: install Debian packages, or say what is missing and end.
apt_get() {
    command -v apt-get >/dev/null 2>&1 || fail "needs $*; this is no Debian, install them by hand"
    say "installing $* with apt"
    if ! as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "$@" >/dev/null 2>&1; then
        as_root env DEBIAN_FRONTEND=noninteractive apt-get update -q >/dev/null ||
            fail "needs root (or sudo without a password) and a network for: apt-get install $*"
        as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "$@" >/dev/null ||
            fail "apt-get install $* failed"
    fi
}

python_fits() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null
}

# can_make_venvs PYTHON: Debian splits ensurepip off into a package of its own.
can_make_venvs() {
    "$1" -c 'import ensurepip, venv' 2>/dev/null
}

# find_python: sets python, the command; PYTHON in the environment wins.
find_python() {
    if [ -n "${PYTHON:-}" ]; then
        python_fits "$PYTHON" || fail "PYTHON=$PYTHON is no Python $python_least or newer"
        can_make_venvs "$PYTHON" || fail "PYTHON=$PYTHON can't make a venv; install its venv and ensurepip modules"
        python=$PYTHON
        return
    fi
    for python in python3 python3.14 python3.13 python3.12 python3.11; do
        if python_fits "$python"; then
            can_make_venvs "$python" || apt_get python3-venv
            can_make_venvs "$python" || fail "$python can't make a venv; install its venv and ensurepip modules"
            return
        fi
    done
    apt_get python3 python3-venv
    python=python3
    python_fits "$python" || fail "needs Python $python_least or newer; Debian 12 and later have it"
}

# make_venv FOLDER EXTRAS: halfmark, editable, with EXTRAS ("" or "[dev]") in FOLDER. Quick when nothing changed:
# a stamp in the venv holds the hash of what it was made from and of the checkout's place. A venv that already
# has the extras does for a run without them too.
make_venv() {
    venv=$1
    extras=$2
    stamp=$venv/halfmark-stamp
    hash=$({ printf '%s\n' "$here"; cat "$here/pyproject.toml"; } | sha256sum | cut -c1-64)
    if [ -x "$venv/bin/python" ] && [ -f "$stamp" ] && "$venv/bin/python" -c 'import sys' 2>/dev/null; then
        for done_extras in "$extras" "[dev]"; do
            [ "$(cat "$stamp")" = "$hash $done_extras" ] && return
        done
        # The stamp is of an older pyproject.toml: keep the extras that are in there.
        case $(cat "$stamp") in *"[dev]") extras="[dev]" ;; esac
    fi
    if [ ! -x "$venv/bin/python" ] || ! "$venv/bin/python" -c 'import sys, pip' 2>/dev/null; then
        find_python
        say "making a venv in $venv"
        "$python" -m venv --clear "$venv" || fail "$python -m venv $venv failed"
    fi
    say "installing halfmark$extras and what it needs into $venv"
    rm -f "$stamp"
    "$venv/bin/python" -m pip install -q --disable-pip-version-check -e "$here$extras" ||
        fail "pip could not install; with no network, see deploy/install.sh --wheels"
    printf '%s %s\n' "$hash" "$extras" >"$stamp"
}
