#!/usr/bin/env bash
# Take a base backup of a running PostgreSQL, whose log archive.sh archives.
#
#   backup.sh CONNECTION FOLDER
#
# CONNECTION is a connection string of a role with REPLICATION, or a superuser;
# FOLDER the same as archive.sh's. Every night is a good habit. The backup is
# checked against its manifest before it gets its name.
set -euo pipefail
[ $# -eq 2 ] || { sed -n '2,8s/^# \{0,1\}//p' "$0" >&2; exit 2; }
connection=$1 folder=$2
[ -d "$folder/base" ] || { echo "backup.sh: $folder has no base: run archive.sh first" >&2; exit 1; }
making=$folder/base/.making.$$
trap 'rm -rf "$making"' EXIT
pg_basebackup -d "$connection" -D "$making" -X stream --checkpoint=fast --no-password
pg_verifybackup -q "$making"
# Named by its end: it can be restored to any moment from then on.
name=$(date -u +%Y%m%dT%H%M%SZ)
mv "$making" "$folder/base/$name"
echo "$folder/base/$name"
