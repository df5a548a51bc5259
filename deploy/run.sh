#!/bin/sh
# Set everything up and start it. Needs Python 3.11 or newer, and no root.
set -eu
cd "$(dirname "$0")/.."
. deploy/python.sh

usage() {
    cat <<'TEXT'
sh deploy/run.sh            an invented workshop with a simulated booth, where nobody signs in
sh deploy/run.sh --shop     your own shop, empty at first; its owner comes in by the link it prints
More: --lan (let other devices in), --port N, and what "boothglass demo --help" or
"boothglass serve --help" lists. PYTHON=/path/to/python3 chooses the Python.
TEXT
}

what=demo
for argument in "$@"; do
    shift
    case $argument in
        --shop) what=serve ;;
        -h | --help) usage; exit 0 ;;
        *) set -- "$@" "$argument" ;;
    esac
done

make_venv .venv
stamp=$(tree_stamp pyproject.toml README.md service sensors dashboards deploy/hatch_build.py)
# The same version may be built from other sources, so boothglass itself is always put in anew.
install_once .venv "$stamp" --upgrade --upgrade-strategy only-if-needed .

say "starting: boothglass $what $*"
exec .venv/bin/boothglass "$what" "$@"
