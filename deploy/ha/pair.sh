# What the scripts of this folder share; they source it.

# ask PORT SQL: have the superuser ask one of the pair.
ask() { psql -qAt "host=127.0.0.1 port=$1 user=postgres dbname=postgres" -c "$2"; }

# pair DIRECTORY: who of the pair runs ($up) and who does not ($down), "primary"
# or "standby" as start.sh called them, and their ports. $down is empty if both run.
pair() {
  local name
  dir=$(cd "$1" && pwd) up='' down=''
  PGPASSWORD=$(cat "$dir/password")
  export PGPASSWORD
  for name in primary standby; do
    if pg_ctl -D "$dir/$name" status >/dev/null 2>&1; then up=${up:-$name}; else down=$name; fi
  done
  [ -n "$up" ] || { echo "$(basename "$0"): neither of the pair in $dir runs" >&2; exit 1; }
  up_port=$(port_of "$up")
  down_port=$(port_of "${down:-standby}")
}

port_of() { sed -n 's/^port = \([0-9]*\).*/\1/p' "$dir/$1/postgresql.conf" | tail -1; }

# follow NAME PORT OTHER-PORT: have a copy of the one on OTHER-PORT follow it.
follow() {
  cat >>"$dir/$1/postgresql.conf" <<CONF
port = $2
primary_conninfo = 'host=127.0.0.1 port=$3 user=postgres password=$PGPASSWORD application_name=standby'
primary_slot_name = 'standby'
CONF
  touch "$dir/$1/standby.signal"
}

# copy NAME PORT: copy the one on PORT into NAME, which is not there yet.
copy() {
  ask "$2" "SELECT pg_create_physical_replication_slot('standby') WHERE NOT EXISTS (SELECT FROM pg_replication_slots WHERE slot_name = 'standby')" >/dev/null
  pg_basebackup -d "host=127.0.0.1 port=$2 user=postgres" -D "$dir/$1" -X stream --checkpoint=fast --no-password
}

# await_standby PORT NAME: have the one on PORT acknowledge only what its standby
# has on disk too. Not before the standby follows: until then it would wait.
await_standby() {
  local _
  for _ in $(seq 300); do
    if [ "$(ask "$1" "SELECT state FROM pg_stat_replication WHERE application_name = 'standby'")" = streaming ]; then
      ask "$1" "ALTER SYSTEM SET synchronous_standby_names = 'standby'"
      ask "$1" "SELECT pg_reload_conf()" >/dev/null
      break
    fi
    sleep 0.1
  done
  for _ in $(seq 100); do
    [ "$(ask "$1" "SELECT sync_state FROM pg_stat_replication WHERE application_name = 'standby'")" = sync ] && return
    sleep 0.1
  done
  echo "$(basename "$0"): the standby does not follow: see $dir/$2.log" >&2
  exit 1
}
