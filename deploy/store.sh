# Where the store of a data folder is; sourced by backup and restore, after needs.sh.
# shellcheck shell=bash

# Sets `cluster` to the folder of the private cluster below a data folder; empty if there is none. Started by root the
# cluster belongs to the account postgres and has a folder of its own.
find_cluster() {
    local data=$1 folder
    cluster=""
    for folder in "$data/postgresql/cluster" "$data/cluster"; do
        if [[ -e $folder/PG_VERSION ]]; then
            cluster=$(realpath "$folder")
            return
        fi
    done
}

# Sets `binaries` to the PostgreSQL programs of the cluster's own version.
find_binaries_of_cluster() {
    binaries=/usr/lib/postgresql/$(<"$cluster/PG_VERSION")/bin
    [[ -x $binaries/pg_dump ]] || binaries=$(postgresql_binaries)
    [[ -x $binaries/pg_dump ]] || stop "pg_dump is not installed (Debian: apt-get install postgresql)"
}

# Newest PostgreSQL programs; pg_dump of a newer version reads older servers.
find_newest_binaries() {
    binaries=$(postgresql_binaries)
    [[ -n $binaries ]] || binaries=$(dirname "$(command -v pg_dump || stop "pg_dump is not installed (Debian: apt-get install postgresql-client)")")
}

# Connection string of a role in the running private cluster.
address_in_cluster() {
    local role=$1 database=$2 lines
    [[ -r $cluster/postmaster.pid ]] || stop "the store in $cluster does not run: start the service first"
    mapfile -t lines <"$cluster/postmaster.pid"
    # Line 4 is the port, line 5 the folder of the socket.
    echo "host=${lines[4]} port=${lines[3]} user=$role dbname=$database"
}
