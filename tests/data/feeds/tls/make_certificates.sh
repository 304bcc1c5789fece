#!/bin/sh
# Makes the certificates beside this file: an authority of our own; server certificates for "localhost"
# and 127.0.0.1, one valid and one long expired, and a self-signed one. For tests only; the keys guard
# nothing.
set -eu
cd "$(dirname "$0")"
work=$(mktemp -d)
touch "$work/index.txt"
cat > "$work/ca.cnf" <<CONF
[ca]
default_ca = own
[own]
new_certs_dir = $work
database = $work/index.txt
rand_serial = yes
default_md = sha256
policy = any
unique_subject = no
[any]
commonName = supplied
CONF
printf "subjectAltName=DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n" > "$work/server.ext"
openssl ecparam -name prime256v1 -genkey -noout -out "$work/ca.key"
openssl req -x509 -new -key "$work/ca.key" -sha256 -days 36500 -subj "/CN=Duskbell feed test authority" \
  -addext "basicConstraints=critical,CA:TRUE" -addext "keyUsage=critical,keyCertSign" -out authority.pem
openssl ecparam -name prime256v1 -genkey -noout -out "$work/server.key"
openssl req -new -key "$work/server.key" -subj "/CN=localhost" -out "$work/server.csr"
sign() {
  openssl ca -batch -notext -config "$work/ca.cnf" -cert authority.pem -keyfile "$work/ca.key" \
    -in "$work/server.csr" -extfile "$work/server.ext" -startdate "$1" -enddate "$2" -out "$work/cert.pem" 2>/dev/null
  cat "$work/server.key" "$work/cert.pem" > "$3"
}
sign 20250101000000Z 21241231000000Z server.pem
sign 20200101000000Z 20200201000000Z expired.pem
openssl req -x509 -new -key "$work/server.key" -sha256 -days 36500 -subj "/CN=localhost" \
  -addext "subjectAltName=DNS:localhost,IP:127.0.0.1" -out "$work/self.pem"
cat "$work/server.key" "$work/self.pem" > self-signed.pem
rm -r "$work"
