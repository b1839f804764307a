#!/bin/sh
# Makes the token by which Rushlight writes and reads its own bucket and can do nothing else. InfluxDB's image runs
# this once, at its first start. Where InfluxDB was there before this file:
#
#   docker compose exec influxdb sh /docker-entrypoint-initdb.d/collector-token.sh && docker compose restart rushlight
set -eu
file=${COLLECTOR_TOKEN_FILE:-/run/collector_token}
if [ -s "$file" ]; then
  exit 0
fi
bucket=${DOCKER_INFLUXDB_INIT_BUCKET_ID:-}
if [ -z "$bucket" ]; then
  bucket=$(influx bucket list --org "$DOCKER_INFLUXDB_INIT_ORG" --name "$DOCKER_INFLUXDB_INIT_BUCKET" \
    --hide-headers | cut -f 1)
fi
made=$(influx auth create --org "$DOCKER_INFLUXDB_INIT_ORG" --description "Rushlight: its own bucket only" \
  --read-bucket "$bucket" --write-bucket "$bucket" --json)
token=$(printf '%s\n' "$made" | sed -n 's/.*"token": *"\([^"]*\)".*/\1/p')
if [ -z "$token" ]; then
  echo "collector-token.sh: InfluxDB made no token for Rushlight" >&2
  exit 1
fi
printf '%s\n' "$token" > "$file" # in place: the collector's container has this very file
