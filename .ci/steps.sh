# What .ci/run and .ci/long share; sourced, not run.
# shellcheck shell=bash

set -euo pipefail
exec </dev/null
cd "$(dirname "${BASH_SOURCE[0]}")/.."

export GOFLAGS="${GOFLAGS:-} -buildvcs=false"
mapfile -t top < <(find cmd haccp internal alerts dashboards -maxdepth 0 2>/dev/null) # where Go code lies
tools=${XDG_CACHE_HOME:-$HOME/.cache}/linewarden-ci # survives a fresh clone
step=start step_began=$SECONDS

die() {
	printf '%s\n' "$*" >&2
	exit 1
}

# stage NAME closes the stage before and opens the next.
stage() {
	close_stage
	step=$1 step_began=$SECONDS
	printf '\n== %s\n' "$step"
}

close_stage() {
	[ "$step" = start ] || printf '== %s: %d s\n' "$step" $((SECONDS - step_began))
}

# Whatever ends the script says so, last.
finish() {
	local code=$?
	close_stage
	if [ "$code" = 0 ]; then
		printf '\nall stages passed in %d s\n' "$SECONDS"
	else
		printf '\nFAILED in stage "%s" after %d s\n' "$step" "$SECONDS"
	fi
}
trap finish EXIT

# need COMMAND PACKAGE... installs the packages when the command is missing.
need() {
	local command=$1
	shift
	command -v "$command" >/dev/null || apt_install "$@"
	command -v "$command" >/dev/null || die "$command is still missing after installing $*"
}

# apt_install PACKAGE... installs Debian packages; it cannot where there is no apt or no root.
apt_install() {
	local root=(env)
	[ "$(id -u)" = 0 ] || root=(sudo -n env)
	command -v apt-get >/dev/null || die "missing here: $*; install it and run this again"
	echo "installing $*"
	{
		"${root[@]}" apt-get -q update &&
			"${root[@]}" DEBIAN_FRONTEND=noninteractive apt-get -q -y --no-install-recommends install "$@"
	} >"$tools/apt.log" 2>&1 || {
		tail -n 20 "$tools/apt.log" >&2
		die "cannot install $*; install it and run this again"
	}
}

# need_c makes sure that C compiles: the race detector needs it.
need_c() {
	echo '#include <stdlib.h>' | gcc -E - >/dev/null 2>&1 || apt_install gcc libc6-dev
	echo '#include <stdlib.h>' | gcc -E - >/dev/null || die "gcc does not find the C library's headers; install libc6-dev"
}

# tests ARGUMENT... runs go test with a count at the end; without a passed test it fails.
tests() {
	go test -json "$@" | "$tools/counttests"
}

# modules lists the folders of the test modules, each with a go.mod of its own.
modules() {
	find "${top[@]}" -mindepth 1 -name go.mod -not -path '*/testdata/*' -printf '%h\n' | sort
}

# packages FOLDER... lists those of the packages that are there.
packages() {
	local folder
	for folder in "$@"; do
		[ -z "$(find "$folder" -maxdepth 1 -name '*.go' -print -quit 2>/dev/null)" ] || echo "./$folder"
	done
}

command -v go >/dev/null || die "Go is missing; go.mod says which version"
mkdir -p "$tools"
go build -o "$tools/counttests" .ci/counttests.go
