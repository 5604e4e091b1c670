#!/usr/bin/env bash
# Let the primary go on without its standby, when the standby has died.
#
#   alone.sh DIRECTORY
#
# DIRECTORY is start.sh's. Until then nothing is acknowledged: acts wait for the
# standby. Those that wait are acknowledged now, and every later one. From now on
# there is one copy of what is written, until rejoin.sh has made another: do not
# promote the standby meanwhile, it lacks what was written since it died.
set -euo pipefail
[ $# -eq 1 ] || { sed -n '2,9s/^# \{0,1\}//p' "$0" >&2; exit 2; }
. "$(dirname "$0")/pair.sh"
pair "$1"
if [ -z "$down" ]; then
  echo "alone.sh: both run: nothing was changed" >&2
  exit 1
fi
if [ "$(ask "$up_port" 'SELECT pg_is_in_recovery()')" = t ]; then
  echo "alone.sh: it is the primary that died, not the standby: see promote.sh" >&2
  exit 1
fi
ask "$up_port" "ALTER SYSTEM SET synchronous_standby_names = ''"
ask "$up_port" "SELECT pg_reload_conf()" >/dev/null
echo "there is one copy of what is written from now on: run rejoin.sh soon"
