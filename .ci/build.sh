#!/bin/sh
# Builds ./dartfall, linked to the few OpenCV libraries it uses, which are opened with
# the first photo. A plain "go build ./cmd/dartfall" links all of OpenCV's modules and
# what they need in turn, some 265 libraries, whose loading takes a quarter of a second
# at every start.
set -eu
cd "$(dirname "$0")/.."

# link TAGS GO-FLAGS LINKER-FLAGS: the tag customenv takes gocv's own list of libraries
# away; functions that nothing calls are dropped, and with them every need for the other
# modules. The other tags leave out a search for a system library and the making of
# manual pages, both at every start.
sections="-O2 -ffunction-sections -fdata-sections"
link() {
	CGO_CPPFLAGS="$(pkg-config --cflags opencv4)" CGO_CFLAGS="$sections" CGO_CXXFLAGS="-std=c++11 $sections" \
		go build -tags "customenv,nodynamic,urfave_cli_no_docs$1" \
		-ldflags "$2 -extldflags '-Wl,--gc-sections $3 -lstdc++'" -o dartfall ./cmd/dartfall
}

small() { link "" "" "-lopencv_calib3d -lopencv_features2d -lopencv_flann -lopencv_imgproc -lopencv_core"; }
if ! small; then
	echo "build: this system's linker does not take the small build; making the plain one" >&2
	exec go build ./cmd/dartfall
fi

# The linker has found every function. Once more, against a stand-in for OpenCV that
# has the names of those functions and, to the loader, is a library that is there anyhow:
# the program opens OpenCV itself, with the first photo (vision/opencv_late.go), and
# starts in half the time where there is none.
opencv=$(readelf -d dartfall | sed -n 's/.*NEEDED.*\[\(libopencv_.*\)\]/\1/p' | tr '\n' ' ')
standin=$(mktemp -d)
trap 'rm -r "$standin"' EXIT
nm -D --undefined-only dartfall | sed -n 's/^ *U \(_ZNK*2cv[^@]*\)$/.globl \1\n.type \1, @function\n\1:/p' >"$standin/opencv.s"
if [ -z "$opencv" ] || ! gcc -shared -nostdlib -Wl,-soname,libdl.so.2 -o "$standin/libstandin.so" "$standin/opencv.s" ||
	! link ",lateopencv" "-X 'dartfall/vision.openCVLibraries=$opencv'" "-Wl,-z,lazy -L$standin -lstandin" ||
	! LD_BIND_NOW=1 LD_PRELOAD="$opencv" ./dartfall --version >/dev/null; then # every function is there
	echo "build: this system does not take libraries opened late; linking them" >&2
	small
fi
