# Sourced by the scripts beside it: a virtual environment in .venv, made once and reused while pyproject.toml is unchanged.
# Sets `root` (the checkout) and `bin` (where the environment keeps its commands).

export PIP_DISABLE_PIP_VERSION_CHECK=1
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

find_python() {
    local candidate
    for candidate in ${PYTHON:+"$PYTHON"} python3 python3.14 python3.13 python3.12 python3.11 python; do
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            printf '%s\n' "$candidate"
            return
        fi
    done
    echo "stillair needs Python 3.11 or newer and found none; install it, or name it: PYTHON=/path/to/python3 bash $0" >&2
    return 1
}

# prepare_environment EXTRA...: installs the package, not editable, with these extras.
prepare_environment() {
    local python venv extras stamp wanted
    python=$(find_python) || exit 1
    venv="$root/.venv"
    stamp="$venv/installed-for"
    extras=$(IFS=,; echo "$*")
    wanted=$("$python" -c 'import hashlib, pathlib, sys
print(hashlib.sha256(pathlib.Path(sys.argv[1]).read_bytes()).hexdigest(), sys.version.split()[0], sys.argv[2])' \
        "$root/pyproject.toml" "$venv")
    if [ -f "$stamp" ] && [ "$(head -n 1 "$stamp")" = "$wanted" ] && has_extras "$stamp" "$@"; then
        set_bin "$venv"
        # Only the package itself may have changed; hatchling is in the environment, so nothing is fetched.
        "$bin/python" -m pip install -qq --no-deps --no-build-isolation --force-reinstall "$root"
        return
    fi
    echo "installing into $venv (once)" >&2
    "$python" -m venv --clear "$venv" ||
        { echo "python cannot make a virtual environment; install its venv module (python3-venv)" >&2; exit 1; }
    set_bin "$venv"
    "$bin/python" -m pip install -qq hatchling "$root${extras:+[$extras]}"
    printf '%s\n' "$wanted" "$@" >"$stamp"
}

has_extras() {
    local stamp=$1 extra
    shift
    for extra in "$@"; do
        grep -qxF -- "$extra" "$stamp" || return 1
    done
}

set_bin() {
    bin="$1/bin"
    if [ -d "$1/Scripts" ]; then bin="$1/Scripts"; fi
}
