#!/bin/sh
# Runs once on a new cluster, called by Patroni with the address of the server: makes the service's roles and database.
#   effort_owner owns the schema and migrates; effort_api serves and owns nothing (row-level security holds it).
set -eu
: "${EFFORT_OWNER_PASSWORD:?}" "${EFFORT_API_PASSWORD:?}"
# Through the environment: an argument could be read by every process of the machine.
psql --no-psqlrc --quiet --set ON_ERROR_STOP=1 --dbname "$1" <<'SQL'
\getenv owner_password EFFORT_OWNER_PASSWORD
\getenv api_password EFFORT_API_PASSWORD
CREATE ROLE effort_owner LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS PASSWORD :'owner_password';
CREATE ROLE effort_api LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS PASSWORD :'api_password';
CREATE DATABASE effort OWNER effort_owner;
REVOKE ALL ON DATABASE effort FROM PUBLIC;
GRANT CONNECT ON DATABASE effort TO effort_api;
SQL
