# Installs what a script of this folder needs; sourced, not run.
# shellcheck shell=bash

say() { printf '%s: %s\n' "${0##*/}" "$*" >&2; }

stop() {
    say "$@"
    exit 1
}

# Newest PostgreSQL binaries of the machine, the way the service looks for them; prints nothing if there are none.
postgresql_binaries() {
    local folder
    for folder in $(printf '%s\n' /usr/lib/postgresql/*/bin | sort -t/ -k5 -rn) "$(dirname "$(command -v initdb || echo /none/initdb)")"; do
        if [[ -x $folder/initdb && -x $folder/postgres ]]; then
            echo "$folder"
            return
        fi
    done
}

# A newly installed rustup puts cargo here, but only into the PATH of shells started later.
find_cargo() {
    if ! command -v cargo >/dev/null && [[ -r ${CARGO_HOME:-$HOME/.cargo}/env ]]; then
        # shellcheck source=/dev/null
        source "${CARGO_HOME:-$HOME/.cargo}/env"
    fi
    command -v cargo >/dev/null || stop "cargo is not installed: a Rust toolchain, 1.92 or newer, is needed (https://rustup.rs)"
}

# Installs what is missing to build and run, and the packages named as COMMAND=PACKAGE whose command is missing. `python` stands
# for what the comparisons with other implementations need, `aiosmtpd` for the mail server of the tests.
install_missing() {
    local packages=() as_root=() wanted
    for wanted in "$@"; do
        if [[ $wanted == python ]]; then
            python3 -c 'import ensurepip, venv' 2>/dev/null || packages+=(python3-venv)
        elif [[ $wanted == aiosmtpd ]]; then
            # Of Debian's own interpreter, whichever else comes first in PATH.
            /usr/bin/python3 -c 'import aiosmtpd' 2>/dev/null || packages+=(python3-aiosmtpd)
        else
            command -v "${wanted%%=*}" >/dev/null || packages+=("${wanted#*=}")
        fi
    done
    [[ -n $(postgresql_binaries) ]] || packages+=(postgresql)
    command -v cc >/dev/null || packages+=(gcc libc6-dev)
    [[ -e /etc/ssl/certs/ca-certificates.crt ]] || packages+=(ca-certificates)
    # PostgreSQL refuses to run as root; then the service runs it as this account, which Debian's package makes.
    if [[ $EUID == 0 ]] && ! getent passwd postgres >/dev/null && [[ " ${packages[*]} " != *' postgresql '* ]]; then
        packages+=(postgresql-common)
    fi
    ((${#packages[@]})) || return 0

    command -v apt-get >/dev/null || stop "missing: ${packages[*]} (Debian's names); install them and try again"
    if [[ $EUID != 0 ]]; then
        command -v sudo >/dev/null || stop "missing: ${packages[*]}; install them as root: apt-get install ${packages[*]}"
        as_root=(sudo)
    fi
    say "installs with apt-get: ${packages[*]}"
    # Debian would set up and start a cluster of its own, which nobody here uses. The setting holds for this installation
    # only, so that a PostgreSQL installed for another purpose later behaves as usual.
    local folder=/etc/postgresql-common/createcluster.d
    local setting=$folder/ferrotitre.conf made=""
    if [[ " ${packages[*]} " == *' postgresql '* && ! -e $setting ]]; then
        say "keeps Debian from starting a PostgreSQL cluster of its own meanwhile"
        "${as_root[@]}" mkdir -p "$folder"
        echo 'create_main_cluster = false' | "${as_root[@]}" tee "$setting" >/dev/null
        made=yes
    fi
    local failed=""
    "${as_root[@]}" apt-get update -q >&2 || say "the package lists could not be renewed; tries with the old ones"
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "${packages[@]}" >&2 ||
        failed=yes
    [[ -z $made ]] || "${as_root[@]}" rm -f "$setting"
    [[ -z $failed ]] || stop "apt-get could not install: ${packages[*]}"
}
