#!/usr/bin/env bash
# Give the one of the pair that runs a standby again.
#
#   rejoin.sh DIRECTORY
#
# DIRECTORY is start.sh's. A standby that died is started and catches up: what it
# lacks was kept for it. A primary that died, after its standby was promoted, is
# set aside and a new copy is made in its place: it may have written what nobody
# was told of. When this ends, acts are acknowledged only once both have them.
set -euo pipefail
[ $# -eq 1 ] || { sed -n '2,9s/^# \{0,1\}//p' "$0" >&2; exit 2; }
. "$(dirname "$0")/pair.sh"
umask 077
pair "$1"
if [ -z "$down" ]; then
  echo "rejoin.sh: both run: nothing was changed" >&2
  exit 1
fi
if [ "$(ask "$up_port" 'SELECT pg_is_in_recovery()')" = t ]; then
  echo "rejoin.sh: the one that runs is a standby: promote.sh makes it the primary" >&2
  exit 1
fi
if [ ! -e "$dir/$down/standby.signal" ]; then
  aside="$dir/$down.$(date +%Y%m%d-%H%M%S)"
  mv "$dir/$down" "$aside"
  echo "set aside: $aside"
  copy "$down" "$up_port"
  follow "$down" "$down_port" "$up_port"
fi
pg_ctl -D "$dir/$down" -l "$dir/$down.log" -w start >/dev/null
await_standby "$up_port" "$down"
echo "what is written from now on is on both"
