#!/bin/sh
# Builds ./dartfall linked to the few OpenCV libraries it uses. A plain "go build
# ./cmd/dartfall" links all of OpenCV's modules and what they need in turn, some 265
# libraries, whose loading takes a quarter of a second at every start.
set -eu
cd "$(dirname "$0")/.."

# The tag takes gocv's own list of libraries away; functions that nothing calls are
# dropped, and with them every need for the other modules.
sections="-O2 -ffunction-sections -fdata-sections"
if CGO_CPPFLAGS="$(pkg-config --cflags opencv4)" CGO_CFLAGS="$sections" CGO_CXXFLAGS="-std=c++11 $sections" \
	go build -tags customenv,nodynamic \
	-ldflags '-extldflags "-Wl,--gc-sections -lopencv_calib3d -lopencv_features2d -lopencv_flann -lopencv_imgproc -lopencv_core -lstdc++"' \
	./cmd/dartfall; then
	exit 0
fi
echo "build: this system's linker does not take the small build; making the plain one" >&2
exec go build ./cmd/dartfall
