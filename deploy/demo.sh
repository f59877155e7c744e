#!/bin/sh
# Set up a venv in the checkout and show an invented site: sh deploy/demo.sh [options of `halfmark demo`]
# Needs no root where Python can make a venv.
set -eu
here=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$here/deploy/setup.sh"

make_venv "$here/.venv" ""
exec "$here/.venv/bin/halfmark" demo "$@"
