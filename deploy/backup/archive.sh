#!/usr/bin/env bash
# Begin to archive the write-ahead log of a PostgreSQL cluster to a folder.
#
#   archive.sh DATA FOLDER
#
# DATA is the cluster's data directory, FOLDER where log and base backups go: on
# another disk, better on another machine. Run it as the user who owns DATA. The
# cluster must be restarted afterwards if it runs. A segment is copied aside and
# then renamed, so that a half one is never taken for a whole one.
set -euo pipefail
[ $# -eq 2 ] || { sed -n '2,9s/^# \{0,1\}//p' "$0" >&2; exit 2; }
data=$1 folder=$2
[ -f "$data/PG_VERSION" ] || { echo "archive.sh: $data is no data directory of PostgreSQL" >&2; exit 1; }
case $folder in *"'"* | *%*) echo "archive.sh: choose a folder without ' and % in its name" >&2; exit 1 ;; esac
mkdir -p "$folder/wal" "$folder/base"
chmod 700 "$folder"
folder=$(cd "$folder" && pwd)
cat >>"$data/postgresql.conf" <<CONF

# archive.sh: every segment of the log, at the latest after a minute
wal_level = replica
archive_mode = on
archive_timeout = 60
archive_command = 'test ! -f "$folder/wal/%f" && cp "%p" "$folder/wal/.%f" && sync "$folder/wal/.%f" && mv "$folder/wal/.%f" "$folder/wal/%f"'
CONF
echo "restart PostgreSQL, then take a first base backup with backup.sh"
