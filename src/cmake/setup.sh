# SPDX-License-Identifier: MIT
# Shared by recipes/try and tests/run: install what is missing, configure, build.
# Sourced with `top` set to the checkout. Every step says what it does and does nothing when done.

program_packages="gcc libc6-dev cmake ninja-build pkg-config liblua5.4-dev libjansson-dev
                  libseccomp-dev libinih-dev libserialport-dev libsodium-dev"
test_packages="libcmocka-dev libmodbus-dev libsundials-dev lua5.4 jq libxml2-utils clang-format
               minisign python3 chromium tidy w3c-sgml-lib"
fuzz_packages="clang libclang-rt-14-dev"
proof_packages="frama-c-base why3 cvc4"

say() { printf '%s\n' "$*"; }
die() { printf '%s\n' "$*" >&2; exit 2; }

as_root() {
    if [ "$(id -u)" = 0 ]; then
        DEBIAN_FRONTEND=noninteractive "$@"
    elif command -v sudo >/dev/null; then
        sudo env DEBIAN_FRONTEND=noninteractive "$@"
    else
        die "cannot install as this user, and there is no sudo: run as root: $*"
    fi
}

# packages_missing NAME...: those of the names that are not installed, one question to dpkg.
packages_missing() {
    local there
    there=$(dpkg-query -W -f='${Package} ${db:Status-Status}\n' "$@" 2>/dev/null)
    local name
    for name in "$@"; do
        case "
$there
" in *"
$name installed
"*) ;; *) say "$name" ;; esac
    done
}

packages_install() {
    if ! command -v dpkg-query >/dev/null; then
        say "not a Debian system: going on with what is installed (Debian's names: $*)"
        return
    fi
    local missing
    missing=$(packages_missing "$@")
    [ -n "$missing" ] || return 0
    say "installing" $missing
    as_root apt-get -q update </dev/null >"$log" 2>&1 || show_log "apt-get update failed"
    as_root apt-get -q install -y --no-install-recommends $missing </dev/null >"$log" 2>&1 ||
        show_log "apt-get install failed"
}

show_log() {
    tail -n 60 "$log" >&2
    die "$1 (the whole output: $log)"
}

# cache_has NAME=VALUE: was the build tree configured so?
cache_has() {
    grep -q "^${1%%=*}:[A-Z]*=${1#*=}\$" "$build/CMakeCache.txt"
}

# configure NAME=VALUE...: only when there is no build tree, or it was configured otherwise.
configure() {
    local fresh="" stale=yes option
    if [ -f "$build/build.ninja" ] || [ -f "$build/Makefile" ]; then
        stale=""
        for option in "$@"; do
            cache_has "$option" || stale=yes
        done
        if ! cache_has "CMAKE_HOME_DIRECTORY=$top"; then # the checkout was moved or copied
            fresh=--fresh stale=yes
        fi
    else
        fresh="--fresh -G Ninja"
    fi
    [ -n "$stale" ] || return 0
    say "configuring ${build#"$top"/}"
    cmake $fresh -S "$top" -B "$build" "${@/#/-D}" </dev/null >"$log" 2>&1 ||
        show_log "cmake could not configure"
}

# compile TARGET...: the build tool finds out in a moment when nothing is to be done.
compile() {
    local targets=() target
    for target in "$@"; do targets+=(--target "$target"); done
    [ -n "$(find "$build" -maxdepth 1 -name tinlatch -type f)" ] ||
        say "compiling ${build#"$top"/} with $(nproc) jobs (the first time takes a minute or two)"
    cmake --build "$build" -j "$(nproc)" "${targets[@]}" </dev/null >"$log" 2>&1 ||
        show_log "the build failed"
    grep 'warning:' "$log" || true
}

# setup_tree DIR: where to build, and where the output of quiet steps goes.
setup_tree() {
    build=$top/$1
    mkdir -p "$build" || die "cannot write in $top"
    log=$build/setup.log
}
