# Sourced by run.sh and test.sh: choose a Python, and make a virtual environment with it.

say() { printf '%s\n' "boothglass: $*"; }

fail() {
    printf '%s\n' "boothglass: $*" >&2
    exit 1
}

# Print the command of a Python that is new enough and can make virtual environments.
find_python() {
    too_old=""
    no_venv=""
    for candidate in ${PYTHON:-python3.13 python3.12 python3.11 python3}; do
        # A name may exist and still not run (version managers leave such shims): ask it.
        version=$("$candidate" -c 'import sys; print("%d.%d" % sys.version_info[:2])' 2>/dev/null) || continue
        if ! "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
            too_old="$too_old $candidate ($version)"
        elif ! "$candidate" -c 'import ensurepip, venv' 2>/dev/null; then
            no_venv="$version"
        else
            printf '%s\n' "$candidate"
            return 0
        fi
    done
    if [ -n "$no_venv" ]; then
        fail "Python $no_venv is here, but cannot make virtual environments. Install that part first:
    sudo apt install python$no_venv-venv"
    elif [ -n "$too_old" ]; then
        fail "Python 3.11 or newer is needed; found only$too_old. Debian 12 and Raspberry Pi OS 12
or newer carry it: sudo apt install python3 python3-venv"
    fi
    fail "no Python found; Python 3.11 or newer is needed: sudo apt install python3 python3-venv"
}

# make_venv FOLDER: make it, or make it anew where its Python is gone (a system upgrade does that).
make_venv() {
    if [ -d "$1" ] && "$1/bin/python" -m pip --version >/dev/null 2>&1; then
        return 0
    fi
    chosen=$(find_python)
    say "making a virtual environment in $1 with $("$chosen" --version)"
    rm -rf "$1"
    "$chosen" -m venv "$1" || fail "$1: the virtual environment could not be made (see above); is the disk full?"
}

# tree_stamp PATH...: a digest of what an installation is made from.
tree_stamp() {
    find "$@" -type f ! -path '*/node_modules/*' ! -path '*/dist*/*' ! -path '*/__pycache__/*' \
        | LC_ALL=C sort | xargs sha256sum | sha256sum | cut -d ' ' -f 1
}

# install_once FOLDER STAMP REQUIREMENT...: pip install, unless the same was installed before.
install_once() {
    venv=$1
    stamp=$2
    shift 2
    if [ "$(cat "$venv/installed.stamp" 2>/dev/null)" = "$stamp" ]; then
        say "installed already, and nothing has changed since"
        return 0
    fi
    rm -f "$venv/installed.stamp"
    say "installing (the first time takes a few minutes)"
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --use-pep517 "$@" || fail \
        "the installation failed, see above. Without a network it cannot be done the first time:
check the connection and start again; what is already there is kept."
    printf '%s\n' "$stamp" > "$venv/installed.stamp"
}
