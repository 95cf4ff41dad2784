# Sourced by deploy/demo and deploy/test: a virtual environment with the project in it, on a fresh Debian or
# Raspberry Pi OS (64-bit). Asks nothing; needs root or sudo only where a system package is missing.

say() { printf '\033[1m%s\033[0m\n' "$*" >&2; }

as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; elif command -v sudo >/dev/null; then sudo "$@"; else return 1; fi
}

# debian_packages NAME...: install those that are missing; on another system say so and go on.
debian_packages() {
  local missing=()
  for name in "$@"; do
    dpkg-query -W -f '${Status}' "$name" 2>/dev/null | grep -q 'ok installed' || missing+=("$name")
  done
  [ ${#missing[@]} = 0 ] && return 0
  command -v apt-get >/dev/null || { say "not Debian: please install ${missing[*]} yourself"; return 0; }
  say "Installing Debian packages: ${missing[*]}"
  as_root env DEBIAN_FRONTEND=noninteractive apt-get update -q >&2 || true
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends "${missing[@]}" >&2
}

# project_environment EXTRA: .venv with the project and one of its extras.
project_environment() {
  local machine
  machine=$(uname -m)
  case $machine in
    x86_64 | aarch64) ;;
    *) say "This machine is $machine. The model libraries come for 64-bit systems only: use a 64-bit system."; exit 1 ;;
  esac
  command -v python3 >/dev/null || debian_packages python3
  if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
    say "Python 3.11 or newer is needed (Debian 12 and newer have it); this one is $(python3 --version)"
    exit 1
  fi
  if [ ! -x .venv/bin/python ]; then
    python3 -c 'import ensurepip' 2>/dev/null || debian_packages python3-venv
    say "Making a virtual environment in .venv"
    python3 -m venv .venv
  fi
  # Installed again only when what is asked for has changed.
  local wanted
  wanted="$1 $(cksum <pyproject.toml)"
  if [ "$(cat .venv/installed-for 2>/dev/null)" != "$wanted" ]; then
    say "Installing the libraries into .venv (a download of about 150 MB, once)"
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --editable ".[$1]"
    printf '%s' "$wanted" >.venv/installed-for
  fi
}
