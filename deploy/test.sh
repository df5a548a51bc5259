#!/bin/sh
# Install what the tests need, then pass them.
#   sh deploy/test.sh               what CI runs
#   sh deploy/test.sh --everything  also every page and the season on PostgreSQL
#   sh deploy/test.sh tests/web -x  arguments for pytest: these tests alone, on SQLite
set -eu
cd "$(dirname "$0")/.."
. deploy/python.sh
PATH=$PATH:/usr/sbin:/sbin # Debian puts mosquitto there
export PATH

# -- programs that pip cannot bring: a broker and a client that are not ours, and a browser ---------
missing=""
command -v mosquitto >/dev/null || missing="$missing mosquitto"
command -v mosquitto_pub >/dev/null || missing="$missing mosquitto-clients"
command -v chromium >/dev/null || missing="$missing chromium"
command -v nginx >/dev/null || missing="$missing nginx-light"
command -v initdb >/dev/null || ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 \
    || missing="$missing postgresql"
# The browser's Python driver brings a Node.js of its own, which needs this.
ldconfig -p | grep -q 'libatomic\.so\.1' || missing="$missing libatomic1"
if [ -n "$missing" ]; then
    say "installing Debian packages:$missing"
    command -v apt-get >/dev/null || fail "no apt-get here; install these by hand:$missing"
    as_root=""
    if [ "$(id -u)" -ne 0 ]; then
        command -v sudo >/dev/null || fail "as root, first: apt-get install$missing"
        as_root=sudo
    fi
    $as_root apt-get update -q || say "the package lists could not be renewed; going on with the old ones"
    # shellcheck disable=SC2086
    $as_root env DEBIAN_FRONTEND=noninteractive \
        apt-get install -q -y --no-install-recommends $missing \
        || fail "could not be installed:$missing. Is there a network? By hand: sudo apt-get install$missing"
    case $missing in
        *" mosquitto"*)
            # The tests start brokers of their own; the daemon that came along is not wanted.
            if command -v systemctl >/dev/null && [ -d /run/systemd/system ]; then
                $as_root systemctl disable --now --quiet mosquitto || true
            fi
            ;;
    esac
    case $missing in
        *" nginx"*)
            if command -v systemctl >/dev/null && [ -d /run/systemd/system ]; then
                $as_root systemctl disable --now --quiet nginx || true
            fi
            ;;
    esac
fi

# -- Python -----------------------------------------------------------------------------------------
make_venv .venv-test
stamp=$(tree_stamp pyproject.toml dashboards deploy/hatch_build.py)
install_once .venv-test "$stamp" --editable '.[dev]'
bin=.venv-test/bin
# Where this is set every service that a test starts would be compiled anew.
unset PYTHONDONTWRITEBYTECODE
# What the tests write lies in memory where there is room: on a disk each commit waits for it, and a
# PostgreSQL database takes a second to make. (Docker lets nothing be run from there.)
free_kb() { awk '/^MemAvailable:/ { print $2 }' /proc/meminfo; }
room_kb() { df -Pk /dev/shm | awk 'NR == 2 { print $4 }'; }
if [ -z "${TMPDIR:-}" ] && [ -w /dev/shm ] && [ "$(free_kb)" -gt 6000000 ] \
    && [ "$(room_kb)" -gt 4000000 ]; then
    ram=$(mktemp -d /dev/shm/boothglass-tests.XXXXXX)
    trap 'rm -rf "$ram"' EXIT
    trap 'exit 130' INT TERM
    chmod 755 "$ram" # PostgreSQL has a user of its own
    printf '#!/bin/sh\n' > "$ram/try" && chmod +x "$ram/try"
    if "$ram/try" 2>/dev/null; then
        TMPDIR=$ram
        export TMPDIR
    fi
fi

# -- checks: all of them, and a summary at the end --------------------------------------------------
failed=""
check() {
    name=$1
    shift
    say "$name: $*"
    "$@" || failed="$failed $name"
}
check lint "$bin/ruff" check
check format "$bin/ruff" format --check
check types "$bin/mypy"
check arrows "$bin/lint-imports"
check audit "$bin/python" deploy/audit.py
everything=""
if [ "${1:-}" = --everything ]; then
    everything=yes
    shift
fi
# Two a core, for most of a test is waiting: for a broker, a browser, a clock. A file stays with one
# worker, which has its shops and browser then.
given=$#
workers=$((2 * $(getconf _NPROCESSORS_ONLN)))
set -- -n "$workers" --dist loadfile --no-loadscope-reorder -m "not bench" "$@"
check tests "$bin/pytest" "$@"
if [ "$given" -eq 0 ]; then
    # What has a database again, on PostgreSQL servers that the tests start for themselves.
    [ -n "$everything" ] || set -- "$@" \
        --ignore tests/pages/test_every_page.py --ignore tests/pages/test_season.py
    check postgresql env BOOTHGLASS_TEST_DATABASE=postgresql "$bin/pytest" "$@" \
        tests/store tests/intake tests/web tests/notify tests/backup tests/faults tests/pages tests/worker \
        tests/deploy/test_demo.py tests/deploy/test_listen_command.py tests/deploy/test_logs.py \
        tests/deploy/test_owner_link.py tests/deploy/test_sensors_secure.py \
        tests/deploy/test_units.py
fi

[ -z "$failed" ] || fail "FAILED:$failed"
say "all passed: lint, format, types, arrows, audit (as far as it says above), tests, those with a database on PostgreSQL too"
