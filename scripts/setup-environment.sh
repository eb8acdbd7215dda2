#!/usr/bin/env bash
# Makes the Python environment from the lock: `setup-environment.sh FOLDER`, for instance .venv.
#
# Does nothing when the environment was made from the lock as it is now; a new lock, or a change of what the package
# says of itself, brings it up to date.
set -euo pipefail

folder=${1:?"usage: setup-environment.sh FOLDER"}
cd "$(dirname "$0")/.."
lock=requirements/dev.txt
stamp=$folder/made-from

find_python() { # the first Python that is new enough
    local candidate
    for candidate in "${PYTHON:-python3}" python3 python3.13 python3.12 python3.11; do
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
    echo "cyclerule needs Python 3.11 or newer; python3 here is: $(python3 --version 2>&1)." >&2
    echo "Install a newer one and run this again, or name it: make PYTHON=/path/to/python3.12 …" >&2
    exit 1
}

# An environment that was moved with its folder would still install to the old place, hence the working directory.
wanted=$({ pwd && cat "$lock" pyproject.toml; } | cksum)
[ "$(cat "$stamp" 2>/dev/null)" = "$wanted" ] && exit 0

python=$(find_python)
echo "Making the Python environment in $folder"
# One whose interpreter has gone, or that was copied here, is made anew; otherwise it is only brought up to date.
if ! "$folder/bin/python" -m pip --version >/dev/null 2>&1; then
    "$python" -m venv --clear "$folder"
fi
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_INPUT=1 PIP_ROOT_USER_ACTION=ignore
"$folder/bin/python" -m pip install --quiet --require-hashes -r "$lock"
"$folder/bin/python" -m pip install --quiet --no-deps --no-build-isolation --editable .
echo "$wanted" >"$stamp"
