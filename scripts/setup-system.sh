#!/usr/bin/env bash
# Makes sure that the system packages are there for a purpose: `setup-system.sh python|demo|test`.
#
# Says nothing and takes a fraction of a second when nothing is missing. What is missing is installed with apt where
# that needs no password (as root, or with a sudo that asks for none); otherwise the command to type is printed.
set -euo pipefail

purpose=${1:?"usage: setup-system.sh python|demo|test"}
missing=()

need() { # need PACKAGE COMMAND...: the package is missing unless the command succeeds
    local package=$1
    shift
    "$@" >/dev/null 2>&1 || missing+=("$package")
}

has_avr_libc() { # of Debian's package, or of a toolchain that was unpacked elsewhere and put on PATH
    local compiler
    [ ! -e /usr/lib/avr/include/avr/io.h ] || return 0
    compiler=$(readlink -f "$(command -v avr-gcc)") && [ -e "$(dirname "$compiler")/../avr/include/avr/io.h" ]
}

has_host_headers() {
    printf '#include <stdint.h>\n#include <stdio.h>\n' | cc -E -x c -
}

find_missing() {
    missing=()
    need python3 command -v python3
    # Debian's python3 comes without what `python3 -m venv` needs.
    need python3-venv python3 -c 'import ensurepip, venv'
    [ "$purpose" != python ] || return 0
    need binutils-avr avr-objdump --version
    need gcc-avr avr-gcc --version
    need avr-libc has_avr_libc
    [ "$purpose" != demo ] || return 0
    need qemu-system-misc qemu-system-avr --version # the oracle for values
    need gcc cc --version                           # the examples' portable parts are checked on the host too
    need libc6-dev has_host_headers
}

as_root() {
    if [ "$(id -u)" = 0 ]; then env "$@"; else sudo -n env "$@"; fi
}

case $purpose in
    python | demo | test) find_missing ;;
    *) echo "setup-system.sh: no purpose '$purpose'; there are python, demo and test" >&2 && exit 2 ;;
esac
[ ${#missing[@]} -gt 0 ] || exit 0

if ! command -v apt-get >/dev/null; then
    echo "Missing: ${missing[*]} (names of the Debian packages)." >&2
    echo "This system has no apt-get: install the same with its own package manager, then run this again." >&2
    exit 1
fi
if ! as_root true 2>/dev/null; then
    echo "Missing system packages, and no right to install them. Type this, then run this again:" >&2
    echo "    sudo apt-get update && sudo apt-get install ${missing[*]}" >&2
    exit 1
fi

echo "Installing with apt: ${missing[*]}"
log=$(mktemp)
trap 'rm -f "$log"' EXIT
apt() {
    as_root DEBIAN_FRONTEND=noninteractive apt-get --yes --quiet "$@" >>"$log" 2>&1
}
# The package lists of a fresh machine are empty. One source that does not answer is no reason to give up.
apt update || true
if ! apt install --no-install-recommends "${missing[@]}"; then
    cat "$log" >&2
    echo "apt could not install ${missing[*]}: its own words are above." >&2
    exit 1
fi

find_missing
if [ ${#missing[@]} -gt 0 ]; then
    echo "Installed, but still not usable: ${missing[*]}. Is another copy earlier on PATH? PATH is $PATH" >&2
    exit 1
fi
