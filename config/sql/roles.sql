-- Roles and one database of Wickround, as a psql script run by a superuser. It may be run again: it brings what is there
-- to the state written here. The embedded servers run it at each start, the PostgreSQL container once at its first start.
--
-- Environment: WICKROUND_MIGRATE_PASSWORD, WICKROUND_APP_PASSWORD, WICKROUND_SYSTEM_PASSWORD;
-- WICKROUND_DATABASE (default wickround); WICKROUND_TEMPLATE (default template0): the database to copy.
--
-- wickround_owner    owns every table; nobody signs in as it
-- wickround_migrate  signs in and does SET ROLE wickround_owner, for migrations and backups
-- wickround_app      the web server and the workers: owns nothing, row security applies
-- wickround_system   sweep and relay: owns nothing, a few grants by table, row security applies
\set ON_ERROR_STOP on
\getenv migrate_password WICKROUND_MIGRATE_PASSWORD
\getenv app_password WICKROUND_APP_PASSWORD
\getenv system_password WICKROUND_SYSTEM_PASSWORD
\set database wickround
\getenv database WICKROUND_DATABASE
\set template template0
\getenv template WICKROUND_TEMPLATE

-- Two runs at once would update the same catalogue rows; the second waits.
SELECT pg_advisory_lock(7765318) \g /dev/null

SET password_encryption = 'scram-sha-256';
SELECT format('CREATE ROLE %I', wanted.name)
FROM unnest(ARRAY['wickround_owner', 'wickround_migrate', 'wickround_app', 'wickround_system']) AS wanted (name)
WHERE NOT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = wanted.name)
\gexec
ALTER ROLE wickround_owner WITH NOLOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION;
ALTER ROLE wickround_migrate WITH LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION PASSWORD :'migrate_password';
ALTER ROLE wickround_app WITH LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION PASSWORD :'app_password';
ALTER ROLE wickround_system WITH LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION PASSWORD :'system_password';
GRANT wickround_owner TO wickround_migrate WITH ADMIN FALSE, INHERIT FALSE, SET TRUE;

SELECT format(
    'CREATE DATABASE %I OWNER wickround_owner TEMPLATE %I ENCODING ''UTF8'' LOCALE_PROVIDER builtin BUILTIN_LOCALE ''C.UTF-8'' LOCALE ''C''',
    :'database', :'template'
)
WHERE NOT EXISTS (SELECT 1 FROM pg_database WHERE datname = :'database')
\gexec
REVOKE ALL ON DATABASE :"database" FROM PUBLIC;
GRANT CONNECT ON DATABASE :"database" TO wickround_migrate, wickround_app, wickround_system;
-- Ours have no business in the server's own databases.
REVOKE ALL ON DATABASE postgres, template1 FROM PUBLIC;

\connect :"database"
ALTER SCHEMA public OWNER TO wickround_owner;
REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO wickround_app, wickround_system;
-- For the exclusion constraints: one agreement a site and one price an item at any day.
CREATE EXTENSION IF NOT EXISTS btree_gist WITH SCHEMA public;
