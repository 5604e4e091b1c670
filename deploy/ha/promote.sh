#!/usr/bin/env bash
# Make the standby the primary, after the primary is gone.
#
#   promote.sh DIRECTORY
#
# DIRECTORY is start.sh's. Make sure first that the old primary is dead and stays
# dead (power off, or its network): two primaries would each take bookings. Then
# servers find the new one by themselves, if their connection string names both.
# It waits for no standby of its own until rejoin.sh has made one.
#
# Do not promote a standby that had died before the primary did: it lacks what was
# written since.
set -euo pipefail
[ $# -eq 1 ] || { sed -n '2,12s/^# \{0,1\}//p' "$0" >&2; exit 2; }
dir=$(cd "$1" && pwd)
if pg_ctl -D "$dir/primary" status >/dev/null 2>&1; then
  echo "promote.sh: the primary still runs: stop it first" >&2
  exit 1
fi
pg_ctl -D "$dir/standby" -w promote >/dev/null
echo "the standby is the primary now"
