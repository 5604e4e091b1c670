#!/usr/bin/env bash
# Start a primary and a synchronous hot standby on one machine, each a PostgreSQL
# with plain streaming replication.
#
#   start.sh DIRECTORY [PRIMARY-PORT STANDBY-PORT]
#
# Makes DIRECTORY/primary and DIRECTORY/standby, DIRECTORY/password for the
# superuser postgres, and prints the connection string for both. Run it as a user
# who may run PostgreSQL, not as root. On two machines the steps are the same:
# the standby's pg_basebackup then goes over the network, with TLS.
#
# A commit is acknowledged when the standby has it on disk. When the standby has
# died nothing is acknowledged any more, until rejoin.sh or alone.sh; when the
# primary has died, promote.sh.
set -euo pipefail
. "$(dirname "$0")/pair.sh"
[ $# -eq 1 ] || [ $# -eq 3 ] || { sed -n '2,15s/^# \{0,1\}//p' "$0" >&2; exit 2; }
mkdir -p "$1"
dir=$(cd "$1" && pwd) first=${2:-5441} second=${3:-5442}
umask 077
[ ! -e "$dir/primary" ] || { echo "start.sh: $dir/primary is there already" >&2; exit 1; }
[ -s "$dir/password" ] || head -c 24 /dev/urandom | od -An -tx1 | tr -d ' \n' >"$dir/password"
PGPASSWORD=$(cat "$dir/password")
export PGPASSWORD

initdb -D "$dir/primary" -U postgres --pwfile "$dir/password" -A scram-sha-256 -E UTF8 --locale=C --data-checksums >/dev/null
cat >>"$dir/primary/postgresql.conf" <<CONF
listen_addresses = '127.0.0.1'
unix_socket_directories = ''
port = $first
wal_log_hints = on # for pg_rewind
hot_standby = on
max_wal_senders = 8
max_replication_slots = 8
synchronous_commit = on
CONF
pg_ctl -D "$dir/primary" -l "$dir/primary.log" -w start >/dev/null
copy standby "$first"
follow standby "$second" "$first"
pg_ctl -D "$dir/standby" -l "$dir/standby.log" -w start >/dev/null
await_standby "$first" standby
echo "postgres://postgres@127.0.0.1:$first,127.0.0.1:$second/postgres?target_session_attrs=read-write&connect_timeout=3"
