#!/bin/sh
# A secret file named like an environment variable becomes that variable, so that no password stands in a
# compose file or in `docker inspect`.
set -eu

# InfluxDB makes this token at its first start. Wait for it a little, but never leave the tanks unwatched for it:
# without it readings wait in the local file, and the next start finds it.
token=${SECRETS_FOLDER:-/run/secrets}/RUSHLIGHT_INFLUX_TOKEN
left=${TOKEN_WAIT_S:-60}
if [ "${1-}" = run ] && [ -f "$token" ]; then
  while [ ! -s "$token" ] && [ "$left" -gt 0 ]; do
    sleep 1
    left=$((left - 1))
  done
  [ -s "$token" ] || echo "no token from InfluxDB yet: starting without, readings wait in the local file" >&2
fi

for file in "${SECRETS_FOLDER:-/run/secrets}"/RUSHLIGHT_*; do
  if [ -f "$file" ]; then
    value=$(cat "$file")
    export "$(basename "$file")=$value"
  fi
done
exec rushlight "$@"
