# Sourced by demo_data/start and tests/run: system libraries, the virtual environment, the pinned packages.

# need PACKAGE...: install the Debian packages that are missing, or say what to install and go on.
need() {
    command -v dpkg >/dev/null 2>&1 || { echo "Not a Debian system. If something is missing, install what matches: $*"; return 0; }
    missing=""
    for package in "$@"; do
        dpkg -s "$package" 2>/dev/null | grep -q '^Status: install ok installed' || missing="$missing $package"
    done
    [ -z "$missing" ] && return 0
    if [ "$(id -u)" = 0 ]; then sudo=""; elif command -v sudo >/dev/null 2>&1; then sudo="sudo"; else
        echo "Please install as administrator, then run this again: apt-get install$missing"
        return 0
    fi
    echo "Installing system packages:$missing"
    $sudo apt-get update -qq && $sudo env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null ||
        echo "Could not install:$missing. PDFs may be missing until they are there; the printable pages still work."
}

# install_python [EXTRAS]: .venv with the exact versions of .constraints.txt; quick when nothing changed.
install_python() {
    stamp="$(cat pyproject.toml .constraints.txt | cksum) $1"
    if [ ! -x .venv/bin/python ] || ! .venv/bin/python -c "import sys" 2>/dev/null; then
        echo "Making the virtual environment .venv"
        python3 -m venv .venv
    fi
    if [ "$(cat .venv/kilnshop-installed 2>/dev/null)" != "$stamp" ]; then
        echo "Installing Python packages (about a minute the first time)"
        .venv/bin/python -m pip install -q --disable-pip-version-check -c .constraints.txt -e ".[$1]"
        echo "$stamp" >.venv/kilnshop-installed
    fi
}
