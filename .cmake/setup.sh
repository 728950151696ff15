# shellcheck shell=bash disable=SC2034
# Sourced by client/first-night and tests/run: the packages Creel needs on Debian 12, and how it is built.
# Every function may be called again; what is done already costs nothing and needs no network.

# To build and run Creel. aravis-tools has the fake network camera, gnuplot draws the pictures, bitshuffle lets other
# HDF5 programs read that codec.
CREEL_PACKAGES=(
  g++ cmake ninja-build ccache git pkg-config
  libboost1.81-dev libspdlog-dev nlohmann-json3-dev libhdf5-dev zlib1g-dev liblz4-dev libcli11-dev libsqlite3-dev
  libvalijson-dev libaravis-dev libusb-1.0-0-dev libseccomp-dev libmosquitto-dev libgtest-dev libgmock-dev libeigen3-dev
  aravis-tools gnuplot-nox fonts-dejavu-core python3 python3-h5py hdf5-tools bitshuffle libxrl-dev python3-periodictable
)
# Beyond those: the second compiler, fuzzing, static checks, a broker and its clients for the tests of alerts (they start
# their own; the package's service is not needed).
CREEL_TEST_PACKAGES=(clang clang-tidy clang-format libclang-rt-14-dev mosquitto mosquitto-clients openssl)

creel_say() { printf '\n== %s\n' "$*"; }

creel_as_root() {
  if [[ $EUID -eq 0 ]]; then
    "$@"
  elif command -v sudo >/dev/null; then
    sudo "$@"
  else
    printf 'This needs root, and sudo is not installed. As root, run:\n  %s\n' "$*" >&2
    return 1
  fi
}

creel_missing_packages() {
  local package
  for package in "$@"; do
    dpkg-query -W -f '${db:Status-Status}\n' "$package" 2>/dev/null | grep -qx installed || printf '%s\n' "$package"
  done
}

# creel_install PACKAGE...: installs those that are missing.
creel_install() {
  local missing
  if ! command -v dpkg-query >/dev/null; then
    echo "This script installs packages of Debian 12; elsewhere install the list in .cmake/setup.sh by hand." >&2
    return 1
  fi
  mapfile -t missing < <(creel_missing_packages "$@")
  if [[ ${#missing[@]} -eq 0 ]]; then
    echo "all $# packages are there"
    return
  fi
  echo "installing ${#missing[@]} of $# packages: ${missing[*]}"
  local install=(env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends)
  if ! creel_as_root "${install[@]}" "${missing[@]}" >/dev/null 2>&1; then
    echo "the package lists may be old; getting new ones"
    creel_as_root apt-get update -q
    creel_as_root "${install[@]}" "${missing[@]}"
  fi
}

# The compiler cache then knows a file again in another clone.
export CCACHE_BASEDIR=${CCACHE_BASEDIR:-$PWD} CCACHE_NOHASHDIR=1

# creel_configure DIRECTORY [cmake options]: configures the build in DIRECTORY.
creel_configure() {
  local directory=$1
  shift
  local options=(-G Ninja)
  command -v ccache >/dev/null && options+=(-DCMAKE_C_COMPILER_LAUNCHER=ccache -DCMAKE_CXX_COMPILER_LAUNCHER=ccache)
  if ! cmake -S . -B "$directory" "${options[@]}" "$@" >"$directory.configure.log" 2>&1; then
    cat "$directory.configure.log" >&2
    return 1
  fi
  rm -f "$directory.configure.log"
}

# creel_build DIRECTORY [targets]: builds with all processors.
creel_build() {
  local directory=$1
  shift
  ninja -C "$directory" -j "$(nproc)" "$@"
}
