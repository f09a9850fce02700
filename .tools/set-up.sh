# Shared by the scripts here: finds Python, makes .venv, installs the package into it.
# shellcheck shell=bash

say() { printf '%s\n' "$*" >&2; }
stop() {
  say "$@"
  exit 1
}

on_debian_as_root() { [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; }

# apt_install PACKAGE...: quiet; the log is shown only when it fails.
apt_install() {
  local log
  log=$(mktemp)
  say "Installing with apt-get: $*"
  if ! { apt-get update && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "$@"; } \
    >"$log" 2>&1 </dev/null; then
    cat "$log" >&2
    rm -f "$log"
    stop "apt-get could not install: $*"
  fi
  rm -f "$log"
}

# What a window needs from the system: Debian package=library in it.
WINDOW_NEEDS='libegl1=libEGL.so.1 libgl1=libGL.so.1 libdbus-1-3=libdbus-1.so.3
  libfontconfig1=libfontconfig.so.1 libglib2.0-0=libglib-2.0.so.0
  libxcb-cursor0=libxcb-cursor.so.0 libxcb-icccm4=libxcb-icccm.so.4
  libxcb-image0=libxcb-image.so.0 libxcb-keysyms1=libxcb-keysyms.so.1
  libxcb-render-util0=libxcb-render-util.so.0 libxcb-shape0=libxcb-shape.so.0
  libxkbcommon-x11-0=libxkbcommon-x11.so.0'

has_dpkg() { command -v dpkg-query >/dev/null; }
# Newer releases end some names in t64.
is_installed() {
  { dpkg-query -W -f '${db:Status-Status}\n' "$1" "$1t64" 2>/dev/null || true; } | grep -qx installed
}
loads() { "$PYTHON" -c 'import ctypes, sys; ctypes.CDLL(sys.argv[1])' "$1" 2>/dev/null; }
has_font() {
  local folders=(/usr/share/fonts /usr/local/share/fonts ~/.fonts ~/.local/share/fonts)
  [ -n "$(find "${folders[@]}" -name '*.[ot]t[fc]' -print -quit 2>/dev/null)" ]
}

# missing_of PACKAGE=FILE...: prints the packages whose library or program is not there.
missing_of() {
  local entry package file
  for entry; do
    package=${entry%%=*} file=${entry#*=}
    if has_dpkg; then
      is_installed "$package" || echo "$package"
    else
      command -v "$file" >/dev/null || loads "$file" || echo "$package"
    fi
  done
}

# need_for_window PACKAGE=FILE...: installs what a window, and these, need from the system; or
# says what to install and stops.
need_for_window() {
  [ "$(uname -s)" = Linux ] || return 0
  has_dpkg || find_python
  local missing
  # shellcheck disable=SC2086 # words of a list
  missing=$(missing_of "$@" $WINDOW_NEEDS && { has_font || echo fonts-dejavu-core; })
  # shellcheck disable=SC2086,SC2116
  missing=$(echo $missing)
  [ -n "$missing" ] || return 0
  on_debian_as_root || stop "The window needs from the system, by the names of the Debian packages: $missing" \
    "Install them (Debian, Ubuntu: sudo apt-get install $missing), then start this again."
  # shellcheck disable=SC2086
  apt_install $missing
}

# want PACKAGE=FILE...: installs these as root on Debian; elsewhere says that tests will be skipped.
want() {
  local missing
  missing=$(missing_of "$@")
  # shellcheck disable=SC2086,SC2116
  missing=$(echo $missing)
  [ -n "$missing" ] || return 0
  # shellcheck disable=SC2086
  if on_debian_as_root; then apt_install $missing; else
    say "Tests that need these Debian packages will be skipped: $missing"
  fi
}

is_new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; }
has_venv() { "$1" -c 'import ensurepip, venv' 2>/dev/null; }

# Sets PYTHON to a Python of 3.11 or newer that can make virtual environments.
find_python() {
  local candidate usable=''
  for candidate in ${PYTHON:-} python3 python3.14 python3.13 python3.12 python3.11; do
    command -v "$candidate" >/dev/null && is_new_enough "$candidate" || continue
    if has_venv "$candidate"; then
      PYTHON=$candidate
      return
    fi
    usable=${usable:-$candidate}
  done
  if [ -z "$usable" ]; then
    stop 'No Python of 3.11 or newer was found. Install one (Debian: python3 and python3-venv).'
  fi
  local package
  package=$("$usable" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')
  on_debian_as_root || stop "$usable cannot make virtual environments. Install the package $package (as root: apt-get install $package)."
  apt_install "$package"
  has_venv "$usable" || stop "$usable still cannot make virtual environments after $package was installed."
  PYTHON=$usable
}

# make_environment FOLDER WHAT...: a virtual environment with WHAT installed by pip. Done
# before with the same pyproject.toml and WHAT: nothing to do.
make_environment() {
  local folder=$1
  shift
  local stamp wanted
  stamp="$folder/.set-up-$(printf '%s' "$*" | cksum | cut -d' ' -f1)"
  wanted="$PWD $(cksum <pyproject.toml)"
  if [ -f "$stamp" ] && [ "$(cat "$stamp")" = "$wanted" ] && is_new_enough "$folder/bin/python"; then
    return
  fi
  if ! is_new_enough "$folder/bin/python" || ! "$folder/bin/python" -m pip --version >/dev/null 2>&1; then
    find_python
    say "Making the virtual environment $folder with $("$PYTHON" --version)."
    "$PYTHON" -m venv --clear "$folder"
  fi
  say "Installing $* (some minutes the first time)."
  "$folder/bin/python" -m pip install -qq --disable-pip-version-check --no-input \
    --root-user-action=ignore "$@" </dev/null || stop 'pip could not install the packages; its message is above.'
  printf '%s' "$wanted" >"$stamp"
}
