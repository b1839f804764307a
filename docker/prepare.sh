#!/bin/sh
# Makes what docker-compose.yml needs and what must not be in git: passwords, a token, settings to start from,
# and on request certificates. What is there already is kept, so it can be run again for a new board.
#
#   sh docker/prepare.sh porch shed                    one login for each tank's board
#   sh docker/prepare.sh --tls pi.lan,192.168.1.20     certificates for the broker under these names
#
# Needs openssl and mosquitto_passwd (Debian: apt-get install openssl mosquitto).
set -eu
cd "$(dirname "$0")"

stop() { printf 'docker/prepare.sh: %s\n' "$*" >&2; exit 1; }
secret() { openssl rand -hex 24; }
for program in openssl mosquitto_passwd; do
  command -v "$program" >/dev/null || stop "$program is missing: apt-get install openssl mosquitto"
done

names=
if [ "${1-}" = --tls ]; then
  names=${2-}
  [ -n "$names" ] || stop "--tls needs the names or addresses under which boards reach the broker"
  shift 2
fi
for board; do
  case $board in *[!A-Za-z0-9_.-]*|-*|'') stop "$board: a board's login is the tank's name in the settings" ;; esac
  [ "$board" != collector ] || stop "collector is Rushlight's own login; name the tank otherwise"
done

# Nobody else gets into this folder. The files themselves can be read by anybody, because each container reads
# them as a user of its own.
mkdir -p secrets data
chmod 700 secrets
umask 022
cd secrets

# By a file: on a command line anybody on this machine could read the password.
login() {
  rm -f one_login
  (umask 077 && printf '%s:%s\n' "$1" "$2" > one_login)
  mosquitto_passwd -U one_login || stop "mosquitto_passwd -U failed; look at what it says"
  cat one_login >> mosquitto_passwords
  rm one_login
}

for name in collector_password influxdb_password influxdb_token; do
  [ -s "$name" ] || secret > "$name"
done
# InfluxDB writes this one at its first start, as a user of its own; nobody else gets into this folder.
[ -f influxdb_collector_token ] || : > influxdb_collector_token
chmod 666 influxdb_collector_token
[ -f mosquitto_passwords ] || : > mosquitto_passwords
grep -q '^collector:' mosquitto_passwords \
  || login collector "$(cat collector_password)"
for board; do
  grep -q "^$board:" mosquitto_passwords && continue
  password=$(secret)
  login "$board" "$password"
  printf '%s %s\n' "$board" "$password" >> boards
  printf 'login %s, password in docker/secrets/boards\n' "$board"
done
chmod 644 mosquitto_passwords
[ ! -f boards ] || chmod 600 boards

if [ -n "$names" ]; then
  alternatives=DNS:broker,DNS:localhost,IP:127.0.0.1
  for name in $(printf '%s' "$names" | tr ',' ' '); do
    case $name in
      *:*) kind=IP ;;
      *[!0-9.]*) kind=DNS ;;
      *) kind=IP ;;
    esac
    alternatives=$alternatives,$kind:$name
  done
  if [ ! -f ca.pem ]; then
    openssl req -x509 -newkey rsa:2048 -nodes -days 7300 -subj '/CN=Rushlight home CA' -keyout ca.key -out ca.pem \
      -addext basicConstraints=critical,CA:TRUE -addext keyUsage=critical,keyCertSign,cRLSign 2>/dev/null
    chmod 600 ca.key
  fi
  openssl req -newkey rsa:2048 -nodes -subj /CN=broker -keyout broker.key -out broker.csr 2>/dev/null
  cat > broker.ext <<EOF
subjectAltName=$alternatives
basicConstraints=critical,CA:FALSE
keyUsage=critical,digitalSignature,keyEncipherment
extendedKeyUsage=serverAuth
subjectKeyIdentifier=hash
authorityKeyIdentifier=keyid
EOF
  openssl x509 -req -in broker.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 3650 -extfile broker.ext \
    -out broker.pem 2>/dev/null
  rm broker.csr broker.ext
  chmod 644 broker.key
  printf 'certificate for %s; boards trust docker/secrets/ca.pem\n' "$alternatives"
fi

cd ..
[ -f data/rushlight.toml ] || cp rushlight.toml data/rushlight.toml
[ -f rushlight.env ] || printf '# RUSHLIGHT_NOTICE_URLS=…\n# RUSHLIGHT_HEARTBEAT_URL=…\n' > rushlight.env
chmod 600 rushlight.env
printf 'next: edit docker/data/rushlight.toml and docker/rushlight.env; chown 10001 docker/data\n'
