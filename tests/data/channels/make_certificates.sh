#!/bin/sh
# Makes the certificates beside this file: an authority of our own and one server certificate for
# "receiver.example", "localhost" and 127.0.0.1. For tests only; the keys guard nothing.
set -eu
cd "$(dirname "$0")"
work=$(mktemp -d)
openssl ecparam -name prime256v1 -genkey -noout -out "$work/ca.key"
openssl req -x509 -new -key "$work/ca.key" -sha256 -days 36500 -subj "/CN=Duskbell test authority" \
  -addext "basicConstraints=critical,CA:TRUE" -addext "keyUsage=critical,keyCertSign" -out test-authority.pem
openssl ecparam -name prime256v1 -genkey -noout -out "$work/server.key"
openssl req -new -key "$work/server.key" -subj "/CN=receiver.example" -out "$work/server.csr"
printf "subjectAltName=DNS:receiver.example,DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n" > "$work/server.ext"
openssl x509 -req -in "$work/server.csr" -CA test-authority.pem -CAkey "$work/ca.key" -CAcreateserial \
  -CAserial "$work/serial" -sha256 -days 36500 -extfile "$work/server.ext" -out "$work/server.pem" 2>/dev/null
cat "$work/server.key" "$work/server.pem" > test-receiver.pem
rm -r "$work"
