#!/bin/sh
# A secret file named like an environment variable becomes that variable, so that no password stands in a
# compose file or in `docker inspect`.
set -eu
for file in "${SECRETS_FOLDER:-/run/secrets}"/RUSHLIGHT_*; do
  if [ -f "$file" ]; then
    value=$(cat "$file")
    export "$(basename "$file")=$value"
  fi
done
exec rushlight "$@"
