#!/usr/bin/env bash
# Restore a PostgreSQL cluster from a base backup and the archived log, as it was
# at a point in time.
#
#   restore.sh FOLDER DATA [TIME]
#
# FOLDER is archive.sh's, DATA a directory that is not there yet. TIME is such as
# "2026-11-27 14:05:00+00"; without it everything that was archived is restored.
# The newest base backup before TIME is taken. Start the cluster afterwards; it
# replays the log, and serves when it is done. It does not archive: run
# archive.sh on it with a new folder.
set -euo pipefail
[ $# -eq 2 ] || [ $# -eq 3 ] || { sed -n '2,11s/^# \{0,1\}//p' "$0" >&2; exit 2; }
folder=$(cd "$1" && pwd) data=$2 time=${3:-}
[ ! -e "$data" ] || { echo "restore.sh: $data is there already: move it away first" >&2; exit 1; }
before=99999999T999999Z
[ -z "$time" ] || before=$(date -u -d "$time" +%Y%m%dT%H%M%SZ)
base=
for b in "$folder"/base/2*; do
  name=${b##*/}
  if [ -d "$b" ] && [[ ! $name > $before ]]; then base=$b; fi
done
[ -n "$base" ] || { echo "restore.sh: $folder has no base backup from before $time" >&2; exit 1; }
pg_verifybackup -q "$base"
cp -a "$base" "$data"
chmod 700 "$data"
{
  echo
  echo "# restore.sh"
  echo "archive_mode = off"
  echo "restore_command = 'cp \"$folder/wal/%f\" \"%p\"'"
  if [ -n "$time" ]; then
    echo "recovery_target_time = '$time'"
    echo "recovery_target_action = 'promote'"
  fi
} >>"$data/postgresql.conf"
touch "$data/recovery.signal"
echo "from ${base##*/}; start it with pg_ctl -D $data start"
