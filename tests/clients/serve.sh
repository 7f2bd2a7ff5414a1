# Starts the demo laboratory for a script of these folders, over a store of its own; sourced, not run.
# shellcheck shell=bash

# Where the program is: FERROTITRE names it, without it the debug build.
ferrotitre_program() {
    local root=$1
    echo "${FERROTITRE:-${CARGO_TARGET_DIR:-$root/target}/debug/ferrotitre}"
}

# Serves the demo at a free port of the loopback address. Sets `address`, and `said` to the file with what it printed, passwords
# among it; leaves nothing behind when the script ends.
serve_demo() {
    local program=$1
    shift
    [[ -x $program ]] || {
        echo "there is no $program: cargo build --bin ferrotitre" >&2
        exit 1
    }
    folder=$(mktemp -d "${TMPDIR:-/tmp}/ferrotitre-XXXXXX")
    # The store may run as another account than whoever starts it.
    chmod 755 "$folder"
    said=$folder/said
    "$program" serve --demo --listen 127.0.0.1:0 --data "$folder/data" "$@" >"$said" 2>"$folder/log" &
    server=$!
    trap end_demo EXIT
    local waited
    for ((waited = 0; waited < 6000; waited++)); do
        if grep -q '^ferrotitre serves on ' "$said" && grep -q 'auditor-1' "$said"; then
            address=$(sed -n 's/^ferrotitre serves on \(http:[^ ]*\).*/\1/p' "$said")
            return 0
        fi
        kill -0 "$server" 2>/dev/null || break
        sleep 0.1
    done
    echo "the service did not start:" >&2
    tail -n 20 "$folder/log" >&2
    exit 1
}

end_demo() {
    kill "$server" 2>/dev/null || true
    wait "$server" 2>/dev/null || true
    # What the service says of itself is wanted when something went wrong.
    [[ -z ${KEEP_LOG:-} ]] || cp "$folder/log" "$KEEP_LOG"
    rm -rf "$folder"
}
