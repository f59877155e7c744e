#!/bin/sh
# Install halfmark as a service on this computer, or bring what is installed up to this checkout.
# Asks nothing, can be run again at any time, and never touches the record, the secrets or a site file that is there.
set -eu
umask 022
here=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$here/deploy/setup.sh"

usage() {
    cat <<'USAGE'
sh deploy/install.sh [options]

  --site FILE       take FILE as the site file, and the maps beside it, if none is installed yet
  --operator NAME   let this user read the record and reach the service (may be given again)
  --wheels DIR      without network: everything from the wheels in DIR
  --make-wheels DIR with network, on any computer, as any user: put them there, and end
  --no-start        install only; neither enable nor start the services
  --root DIR        install below DIR, with no users, no owners and no services; to look at, and for tests
  --dry-run         say what would be done
  --uninstall       take away services and program; the record, the site file and the secrets stay

What goes where: the program to /opt/halfmark, its services to /etc/systemd/system, the site file to
/etc/halfmark/site.toml, secrets to /etc/halfmark/secrets (one file each, owner halfmark, mode 0600), the record
to /var/lib/halfmark. After a change of the site file: halfmark check, then this again.
USAGE
}

root=
site=
wheels=
make_wheels=
operators=
start=yes
dry=
uninstall=

while [ $# -gt 0 ]; do
    case $1 in
    --site | --operator | --wheels | --make-wheels | --root)
        [ $# -ge 2 ] || fail "$1 needs a value; see --help"
        case $1 in
        --site) site=$2 ;;
        --operator) operators="$operators $2" ;;
        --wheels) wheels=$2 ;;
        --make-wheels) make_wheels=$2 ;;
        --root) root=${2%/} ;;
        esac
        shift
        ;;
    --no-start) start= ;;
    --dry-run) dry=yes ;;
    --uninstall) uninstall=yes ;;
    -h | --help)
        usage
        exit 0
        ;;
    *) usage >&2; fail "unknown option $1" ;;
    esac
    shift
done

user=halfmark
opt=$root/opt/halfmark
etc=$root/etc/halfmark
units=$root/etc/systemd/system
command=$root/usr/local/bin/halfmark
services="halfmark.service halfmark-send.service"
changed= # something the services must be started again for

[ -z "$site" ] || [ -f "$site" ] || fail "--site $site: no such file"
[ -z "$wheels" ] || [ -d "$wheels" ] || fail "--wheels $wheels: no such folder"
[ -n "$root$dry$make_wheels" ] || [ "$(id -u)" -eq 0 ] || fail "needs root; try: sudo sh deploy/install.sh"

# run WORDS...: do it, or say it.
run() {
    if [ -n "$dry" ]; then
        printf 'would: %s\n' "$*"
    else
        "$@"
    fi
}

# On the computer itself: owners, users and services. Below --root there are none.
own() { [ -n "$root" ] || run chown "$@"; }
manager() {
    [ -n "$root" ] && return
    if [ -d /run/systemd/system ] || [ -n "$dry" ]; then
        run systemctl "$@"
    else
        say "no systemd is running here, left out: systemctl $*"
    fi
}

# folder PATH MODE OWNER: there, with this mode and owner.
folder() {
    if [ ! -d "$1" ]; then run mkdir -p "$1"; fi
    run chmod "$2" "$1"
    own "$3" "$1"
}

# put FILE TARGET MODE: copy if it differs.
put() {
    if ! cmp -s "$1" "$2"; then
        changed=yes
        say "writing $2"
        run mkdir -p "$(dirname "$2")"
        run cp "$1" "$2.new"
        run chmod "$3" "$2.new"
        run mv "$2.new" "$2"
    fi
}

remove() {
    for service in $services; do
        [ -f "$units/$service" ] || continue
        manager disable --now "$service"
        run rm -f "$units/$service"
        run rm -rf "$units/$service.d"
    done
    manager daemon-reload
    [ ! -L "$command" ] || run rm -f "$command"
    run rm -rf "$opt"
    say "removed. Still there: $etc, $root/var/lib/halfmark, $root/var/lib/halfmark-send, user $user"
}

make_user() {
    [ -z "$root" ] || return 0
    getent group "$user" >/dev/null || run groupadd --system "$user"
    getent group dialout >/dev/null || run groupadd --system dialout
    getent passwd "$user" >/dev/null ||
        run useradd --system --gid "$user" --home-dir /var/lib/halfmark --no-create-home --shell /usr/sbin/nologin "$user"
    run usermod --append --groups dialout "$user"
    for operator in $operators; do
        getent passwd "$operator" >/dev/null || fail "--operator $operator: no such user"
        run usermod --append --groups "$user" "$operator"
    done
}

# The hash of all that ends up in the program, so that the same checkout is not installed twice.
program_hash() {
    (
        cd "$here"
        find pyproject.toml deploy/LICENSE shared drivers daemon config -type f ! -path '*/__pycache__/*' |
            LC_ALL=C sort | xargs sha256sum | sha256sum | cut -c1-12
    )
}

# copy_sources FOLDER: what a build needs, so that no old build folder gets in and none is left behind.
copy_sources() {
    (cd "$here" && cp -R pyproject.toml shared drivers daemon config "$1" && mkdir "$1/deploy" && cp deploy/LICENSE "$1/deploy")
}

fill_wheels() {
    scratch=$(mktemp -d)
    trap 'rm -rf "$scratch"' EXIT
    find_python
    mkdir -p "$make_wheels" "$scratch/sources"
    copy_sources "$scratch/sources"
    "$python" -m venv "$scratch/venv"
    "$scratch/venv/bin/python" -m pip wheel -q --disable-pip-version-check -w "$make_wheels" "$scratch/sources[mqtt]" ||
        fail "pip could not fetch or build everything"
    program_hash >"$make_wheels/made-from"
    say "$make_wheels has what --wheels needs, for this checkout and a computer of the same kind"
}

# Each version has a folder of its own, and the link is turned only when it is complete: an installation cut
# short leaves the old one at work.
install_program() {
    version=$(program_hash)
    venv=$opt/versions/$version
    if [ -f "$venv/complete" ] && [ "$(readlink "$opt/current" || true)" = "versions/$version" ]; then
        return
    fi
    changed=yes
    [ -z "$wheels" ] || [ "$(cat "$wheels/made-from" 2>/dev/null || true)" = "$version" ] ||
        fail "the wheels in $wheels were not made from this checkout; make them anew with --make-wheels"
    say "installing the program into $venv"
    if [ -n "$dry" ]; then
        printf 'would: make the venv %s and turn %s to it\n' "$venv" "$opt/current"
        return
    fi
    if [ ! -f "$venv/complete" ]; then
        find_python
        mkdir -p "$opt/versions"
        "$python" -m venv --clear "$venv"
        if [ -n "$wheels" ]; then
            "$venv/bin/python" -m pip install -q --disable-pip-version-check --no-index --find-links "$wheels" "halfmark[mqtt]" ||
                fail "not everything is in $wheels; make it anew with --make-wheels"
        else
            sources=$(mktemp -d)
            trap 'rm -rf "$sources"' EXIT
            copy_sources "$sources"
            "$venv/bin/python" -m pip install -q --disable-pip-version-check "$sources[mqtt]" ||
                fail "pip could not install; without network, see --wheels in --help"
        fi
        "$venv/bin/halfmark" --help >/dev/null || fail "the program in $venv does not start; the old one is left at work"
        : >"$venv/complete"
    fi
    before=$(readlink "$opt/current" || true)
    ln -sfn "versions/$version" "$opt/current.new"
    mv -T "$opt/current.new" "$opt/current"
    # Keep the one before, for a way back by hand: ln -sfn versions/OLD /opt/halfmark/current
    for old in "$opt"/versions/*; do
        case versions/${old##*/} in "versions/$version" | "$before") ;; *) rm -rf "$old" ;; esac
    done
}

install_site() {
    folder "$etc" 0750 "root:$user"
    folder "$etc/secrets" 0700 "$user:$user"
    if [ -z "$site" ] || [ -f "$etc/site.toml" ]; then
        [ -z "$site" ] || cmp -s "$site" "$etc/site.toml" || say "$etc/site.toml is there and is left as it is"
        return
    fi
    maps=$(dirname "$site")/maps
    if [ -d "$maps" ]; then
        folder "$etc/maps" 0750 "root:$user"
        for map in "$maps"/*.toml; do
            if [ -f "$map" ] && [ ! -f "$etc/maps/${map##*/}" ]; then
                put "$map" "$etc/maps/${map##*/}" 0640
                own "root:$user" "$etc/maps/${map##*/}"
            fi
        done
    fi
    put "$site" "$etc/site.toml" 0640
    own "root:$user" "$etc/site.toml"
}

install_units() {
    for service in $services; do
        put "$here/deploy/units/$service" "$units/$service" 0644
    done
    [ -f "$etc/site.toml" ] || return 0
    if [ -n "$dry" ]; then
        printf 'would: halfmark check %s --drop-in %s\n' "$etc/site.toml" "$units"
        return
    fi
    drop_in=$units/halfmark.service.d/10-site.conf
    before=$(cat "$drop_in" 2>/dev/null || true)
    "$opt/current/bin/halfmark" check "$etc/site.toml" --secrets "$etc/secrets" --drop-in "$units" ||
        fail "the site file has mistakes: mend $etc/site.toml and run this again; nothing was started"
    [ "$before" = "$(cat "$drop_in" 2>/dev/null || true)" ] || changed=yes
    # The services read the site file at their start: remember which one they were started with.
    in_use=$(find "$etc/site.toml" "$etc/maps" -type f 2>/dev/null | LC_ALL=C sort | xargs sha256sum | sha256sum)
    if [ "$in_use" != "$(cat "$opt/site-in-use" 2>/dev/null || true)" ]; then
        changed=yes
        printf '%s\n' "$in_use" >"$opt/site-in-use"
    fi
}

link_command() {
    [ "$(readlink "$command" || true)" = "/opt/halfmark/current/bin/halfmark" ] && return
    [ ! -e "$command" ] || [ -L "$command" ] || fail "$command is there and is not ours; move it away"
    run mkdir -p "$(dirname "$command")"
    run ln -sfn /opt/halfmark/current/bin/halfmark "$command"
}

start_services() {
    manager daemon-reload
    if [ ! -f "$etc/site.toml" ]; then
        say "no site file yet: write $etc/site.toml (examples: $opt/current/share/halfmark/config), then run this again"
        return
    fi
    [ -n "$start" ] || return 0
    # shellcheck disable=SC2086 # a list of words
    manager enable $services
    if [ -n "$changed" ]; then
        # shellcheck disable=SC2086
        manager restart $services
    else
        # shellcheck disable=SC2086
        manager start $services
    fi
}

if [ -n "$make_wheels" ]; then
    fill_wheels
    exit 0
fi
if [ -n "$uninstall" ]; then
    remove
    exit 0
fi
make_user
install_program
install_site
install_units
link_command
start_services
if [ -n "$dry" ]; then
    say "dry run: nothing was done"
elif [ -n "$changed" ]; then
    say "installed; see: halfmark status"
else
    say "nothing to change"
fi
