#!/bin/sh
# Installs what dartfall needs on Debian and Ubuntu, and only what is missing; on
# other systems it says what to install. "setup.sh tests" adds what the tests use.
# Runs as root or as a user with sudo, as often as you like.
set -eu

stop() {
	echo "setup: $*" >&2
	exit 1
}

packages="g++ pkg-config libopencv-dev libturbojpeg0-dev"
if [ "${1:-}" = tests ]; then
	packages="$packages opencv-doc chromium poppler-utils"
fi

command -v go >/dev/null 2>&1 || stop "Go is missing: install it from your system's packages or from go.dev/dl, then run this again"
# Go 1.21 and newer fetch the version that go.mod names by themselves.
minor=$(go version | sed -n 's/^go version go1\.\([0-9]*\).*/\1/p')
[ "${minor:-21}" -ge 21 ] || stop "Go 1.$minor is too old: install Go 1.21 or newer (Debian 12: from bookworm-backports, or from go.dev/dl), then run this again"

if ! command -v dpkg-query >/dev/null 2>&1 || ! command -v apt-get >/dev/null 2>&1; then
	# Whatever the system is called: what counts is that the build will work.
	if command -v c++ >/dev/null 2>&1 && pkg-config --exists opencv4 libturbojpeg 2>/dev/null; then
		exit 0
	fi
	stop "this script installs packages on Debian and Ubuntu only. Install a C++ compiler, pkg-config, OpenCV 4 and libjpeg-turbo yourself:
  macOS    xcode-select --install; brew install pkg-config opencv jpeg-turbo
  Fedora   sudo dnf install gcc-c++ pkgconf opencv-devel turbojpeg-devel
  Arch     sudo pacman -S --needed gcc pkgconf opencv vtk hdf5 libjpeg-turbo
  Windows  use WSL with Debian or Ubuntu and run this again there
then run this again"
fi

installed() {
	[ "$(dpkg-query -W -f '${db:Status-Status}' "$1" 2>/dev/null)" = installed ]
}

missing=
for p in $packages; do
	# Ubuntu's chromium is a snap: any browser already there serves the tests.
	if [ "$p" = chromium ] && { command -v chromium || command -v google-chrome || command -v chromium-browser; } >/dev/null 2>&1; then
		continue
	fi
	# pkgconf takes pkg-config's place on newer systems.
	if [ "$p" = pkg-config ] && command -v pkg-config >/dev/null 2>&1; then
		continue
	fi
	installed "$p" || missing="$missing $p"
done
[ -n "$missing" ] || exit 0

as_root=
if [ "$(id -u)" -ne 0 ]; then
	command -v sudo >/dev/null 2>&1 || stop "missing:$missing. Run as root: apt-get install -y --no-install-recommends$missing"
	as_root=sudo
fi

apt() {
	# shellcheck disable=SC2086 # empty for root
	$as_root env DEBIAN_FRONTEND=noninteractive apt-get -o DPkg::Lock::Timeout=300 "$@"
}

echo "setup: installing$missing" >&2
apt update -q >&2
optional=
for p in $missing; do
	case $p in
	opencv-doc | chromium | poppler-utils)
		# A system may not have these: then the tests that need them say so.
		apt-cache show "$p" >/dev/null 2>&1 && optional="$optional $p"
		;;
	*) required="${required:-} $p" ;;
	esac
done
# shellcheck disable=SC2086 # lists of names
apt install -y -q --no-install-recommends ${required:-} $optional >&2 ||
	stop "apt-get could not install$missing: look at its message above"
