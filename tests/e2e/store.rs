//! What the database itself refuses, and that its schema is whole.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use ferrotitre_api::migrate;
use ferrotitre_base::db::StoreAddress;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_tests::TestApp;
use ferrotitre_tests::cluster::{DatabaseRole, connect, shared};
use tokio_postgres::Client;
use tokio_postgres::error::SqlState;

/// Tables that are not records, with the reason why the service may change or remove their rows.
const WORKING_TABLES: [(&str, &str); 7] = [
    ("sessions", "end when somebody signs out"),
    ("refresh_tokens", "are marked as used"),
    ("token_keys", "are retired"),
    ("idempotency_keys", "are forgotten after their time"),
    ("audit_pending", "is the sealer's list of what is still to do"),
    ("alerts_standing", "is what stood at the last look"),
    ("messages_waiting", "is the courier's list of what is still to be sent"),
];

async fn names(client: &Client, sql: &str) -> Vec<String> {
    client.query(sql, &[]).await.unwrap().iter().map(|row| row.get(0)).collect()
}

/// Every table of records: those the audit trigger watches, the log itself, and what was sent.
async fn record_tables(client: &Client) -> Vec<String> {
    let sql = "SELECT c.relname::text FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid \
               WHERE t.tgname = 'audit' AND NOT t.tgisinternal ORDER BY 1";
    let mut tables = names(client, sql).await;
    assert!(tables.len() >= 15, "{tables:?}");
    let log = ["audit_events", "audit_leaves", "audit_tree_heads", "audit_checkpoints", "audit_cosignatures"];
    tables.extend(log.map(str::to_owned));
    tables.extend(["messages", "message_tries"].map(str::to_owned));
    tables
}

async fn state_of(client: &Client, sql: &str) -> Option<SqlState> {
    match client.batch_execute(sql).await {
        Ok(()) => None,
        Err(error) => Some(error.code().cloned().unwrap_or(SqlState::SUCCESSFUL_COMPLETION)),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_service_and_even_the_owner_can_neither_change_nor_remove_a_record() {
    let app = TestApp::start().await;
    let superuser = app.sql(DatabaseRole::Superuser).await;
    let connections = [
        ("service", app.sql(DatabaseRole::Service).await),
        ("owner", app.sql(DatabaseRole::Owner).await),
        ("superuser", app.sql(DatabaseRole::Superuser).await),
    ];
    for table in record_tables(&superuser).await {
        let sql = "SELECT attname::text FROM pg_attribute WHERE attrelid = $1::text::regclass AND attnum > 0 LIMIT 1";
        let column: String = superuser.query_one(sql, &[&table]).await.unwrap().get(0);
        for (who, connection) in &connections {
            for sql in [
                format!("UPDATE {table} SET {column} = {column}"),
                format!("DELETE FROM {table}"),
                format!("TRUNCATE {table} CASCADE"),
            ] {
                let mut state = state_of(connection, &sql).await;
                // The sealer at work can stand in the way of a lock on every table; that refuses nothing.
                while state == Some(SqlState::T_R_DEADLOCK_DETECTED) {
                    state = state_of(connection, &sql).await;
                }
                assert_eq!(state, Some(SqlState::INSUFFICIENT_PRIVILEGE), "{sql} as {who}");
            }
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_service_may_write_to_record_tables_and_the_few_working_tables_only() {
    let app = TestApp::start().await;
    let sql = app.sql(DatabaseRole::Superuser).await;
    let tables = |privilege: &str| {
        format!(
            "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p', 'v') \
             AND has_table_privilege('ferrotitre_app', oid, '{privilege}') ORDER BY 1"
        )
    };
    let working: BTreeSet<String> = WORKING_TABLES.iter().map(|(table, _)| (*table).to_owned()).collect();
    let mut expected: BTreeSet<String> = record_tables(&sql).await.into_iter().collect();
    expected.extend(working.iter().cloned());
    // Only the trigger writes events, as their owner.
    expected.remove("audit_events");
    let insertable: BTreeSet<String> = names(&sql, &tables("INSERT")).await.into_iter().collect();
    assert_eq!(insertable, expected);
    for privilege in ["UPDATE", "DELETE", "TRUNCATE", "REFERENCES", "TRIGGER"] {
        let allowed: BTreeSet<String> = names(&sql, &tables(privilege)).await.into_iter().collect();
        assert!(allowed.is_subset(&working), "{privilege}: {allowed:?}");
    }
    let owned = names(&sql, "SELECT relname::text FROM pg_class WHERE relowner = 'ferrotitre_app'::regrole").await;
    assert_eq!(owned, Vec::<String>::new(), "the service's role must own nothing");
    let superuser = "SELECT rolname::text FROM pg_roles WHERE rolname IN ('ferrotitre_app', 'ferrotitre_owner') AND \
                     (rolsuper OR rolbypassrls OR rolreplication)";
    assert_eq!(names(&sql, superuser).await, Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_record_cannot_be_inserted_without_saying_who_acts() {
    let app = TestApp::start().await;
    let service = app.sql(DatabaseRole::Service).await;
    let account = app.analyst.id;
    let inserts = [
        "INSERT INTO accounts (id, code, display_name, kind) VALUES (gen_random_uuid(), 'ghost-1', 'Ghost', 'person')"
            .to_owned(),
        format!(
            "INSERT INTO sign_in_attempts (id, account_id, succeeded, purpose) \
             VALUES (gen_random_uuid(), '{account}', true, 'sign in')"
        ),
        format!(
            "INSERT INTO role_grants (id, account_id, role, effect, reason) \
             VALUES (gen_random_uuid(), '{account}', 'manager', 'grant', 'by the back door')"
        ),
    ];
    for insert in inserts {
        assert_eq!(state_of(&service, &insert).await, Some(SqlState::RAISE_EXCEPTION), "{insert}");
        let act = r#"{"actor": null, "kind": "system", "action": "test"}"#;
        let with_act = format!("BEGIN; SELECT set_config('ferrotitre.act', '{act}', true); {insert}; ROLLBACK");
        assert_eq!(state_of(&service, &with_act).await, None, "the row itself is good: {insert}");
        // The setting ended with its transaction.
        assert_eq!(state_of(&service, &insert).await, Some(SqlState::RAISE_EXCEPTION), "{insert}");
    }
}

/// Lists show what the moves say: every kind is entered in its first state, and only the store writes.
#[tokio::test(flavor = "multi_thread")]
async fn present_states_follow_the_moves_of_every_kind() {
    let app = TestApp::start().await;
    let superuser = app.sql(DatabaseRole::Superuser).await;
    let begun = "SELECT tgrelid::regclass || ': ' || convert_from(substring(tgargs FOR length(tgargs) - 1), 'UTF8') \
                 FROM pg_trigger WHERE tgname = 'states' AND tgnargs = 1";
    let begun: BTreeSet<String> = names(&superuser, begun).await.into_iter().collect();
    let kinds = EntityKind::ALL.map(|kind| format!("{}: {}", kind.table(), kind.first_state()));
    assert_eq!(begun, kinds.into_iter().collect());

    let entered = format!("SELECT state FROM present_states WHERE entity_id = '{}'", app.analyst.id);
    assert_eq!(names(&superuser, &entered).await, ["active"]);
    let act = r#"{"actor": null, "kind": "system", "action": "test"}"#;
    let moved = format!(
        "BEGIN; SELECT set_config('ferrotitre.act', '{act}', true); INSERT INTO state_moves (id, entity_kind, entity_id, \
         position, from_state, to_state, reason) VALUES (gen_random_uuid(), 'accounts', '{}', 1, 'active', 'locked', \
         'left the laboratory'); COMMIT",
        app.analyst.id
    );
    let service = app.sql(DatabaseRole::Service).await;
    assert_eq!(state_of(&service, &moved).await, None);
    assert_eq!(names(&service, &entered).await, ["locked"]);
    for write in ["UPDATE present_states SET state = 'active'", "DELETE FROM present_states"] {
        assert_eq!(state_of(&service, write).await, Some(SqlState::INSUFFICIENT_PRIVILEGE), "{write}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_foreign_key_has_an_index() {
    let app = TestApp::start().await;
    let sql = "SELECT c.conrelid::regclass || ' ' || c.conname FROM pg_constraint c \
               WHERE c.contype = 'f' AND c.connamespace = 'public'::regnamespace AND NOT EXISTS (\
                 SELECT FROM pg_index i WHERE i.indrelid = c.conrelid \
                 AND (i.indkey::int2[])[0:array_length(c.conkey, 1) - 1] @> c.conkey \
                 AND (i.indpred IS NULL OR pg_get_expr(i.indpred, i.indrelid) ~ 'IS NOT NULL'))";
    assert_eq!(names(&app.sql(DatabaseRole::Superuser).await, sql).await, Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread")]
async fn every_table_and_column_has_a_comment_and_every_constraint_a_name_of_ours() {
    let app = TestApp::start().await;
    let sql = app.sql(DatabaseRole::Superuser).await;
    let tables = "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace \
                  AND relkind IN ('r', 'p', 'v') AND relname NOT LIKE '\\_\\_diesel%' \
                  AND coalesce(obj_description(oid, 'pg_class'), '') = ''";
    assert_eq!(names(&sql, tables).await, Vec::<String>::new());
    let columns = "SELECT c.relname || '.' || a.attname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid \
                   WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') \
                   AND c.relname NOT LIKE '\\_\\_diesel%' AND a.attnum > 0 AND NOT a.attisdropped \
                   AND coalesce(col_description(c.oid, a.attnum), '') = ''";
    assert_eq!(names(&sql, columns).await, Vec::<String>::new());
    // PostgreSQL's own names end in _pkey, _key, _fkey or _check by their kind; the service maps constraints by name.
    let constraints = "SELECT conrelid::regclass || ' ' || conname FROM pg_constraint \
                       WHERE connamespace = 'public'::regnamespace AND conname ~ (CASE contype \
                       WHEN 'p' THEN '_pkey' WHEN 'u' THEN '_key' WHEN 'f' THEN '_fkey' ELSE '_check' END || '[0-9]*$') \
                       AND conrelid::regclass::text NOT LIKE '%\\_\\_diesel%'";
    assert_eq!(names(&sql, constraints).await, Vec::<String>::new());
}

/// Everything the migrations make, as text.
async fn schema(address: &StoreAddress) -> Vec<String> {
    let client = connect(address).await;
    let ours = "relnamespace = 'public'::regnamespace AND relname NOT LIKE '\\_\\_diesel%'";
    let queries = [
        format!(
            "SELECT format('column %s.%s %s %s %s %s', c.relname, a.attname, format_type(a.atttypid, a.atttypmod), \
             a.attnotnull, pg_get_expr(d.adbin, d.adrelid), col_description(c.oid, a.attnum)) \
             FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped \
             LEFT JOIN pg_attrdef d ON d.adrelid = c.oid AND d.adnum = a.attnum WHERE {ours}"
        ),
        format!("SELECT format('relation %s %s %s %s', relname, relkind, relacl, obj_description(oid)) FROM pg_class WHERE {ours}"),
        "SELECT format('constraint %s %s %s', conrelid::regclass, conname, pg_get_constraintdef(oid)) \
         FROM pg_constraint WHERE connamespace = 'public'::regnamespace AND conrelid::regclass::text NOT LIKE '%\\_\\_diesel%'"
            .to_owned(),
        "SELECT format('index %s', indexdef) FROM pg_indexes WHERE schemaname = 'public' AND tablename NOT LIKE '\\_\\_diesel%'"
            .to_owned(),
        "SELECT format('trigger %s', pg_get_triggerdef(oid)) FROM pg_trigger WHERE NOT tgisinternal".to_owned(),
        "SELECT format('function %s %s %s', pg_get_functiondef(oid), proacl, obj_description(oid)) FROM pg_proc \
         WHERE pronamespace = 'public'::regnamespace"
            .to_owned(),
        "SELECT format('view %s %s', viewname, definition) FROM pg_views WHERE schemaname = 'public'".to_owned(),
    ];
    let mut found = Vec::new();
    for query in queries {
        found.extend(names(&client, &query).await);
    }
    found.sort();
    found
}

#[tokio::test(flavor = "multi_thread")]
async fn migrations_up_down_and_up_again_give_the_same_schema() {
    let shared = shared().await;
    let database = shared.empty_database().await;
    let owner = shared.address(DatabaseRole::Owner, &database);
    let run = migrate::run(&owner).await.unwrap();
    let first = schema(&owner).await;
    assert!(first.len() > 300, "{}", first.len());
    let reverted = migrate::revert_all(&owner).await.unwrap();
    assert_eq!(reverted.len(), run.len());
    assert_eq!(schema(&owner).await, Vec::<String>::new(), "something is left after all migrations were taken back");
    migrate::run(&owner).await.unwrap();
    assert_eq!(schema(&owner).await, first);
    assert_eq!(migrate::run(&owner).await.unwrap(), Vec::<String>::new(), "a second run has nothing to do");
    shared.drop_database(&database).await;
}

/// Runs the migrations that a release had, as that release would have, and notes that they have been run.
async fn migrate_as_before(owner: &Client, up_to: &str) {
    owner
        .batch_execute(
            "CREATE TABLE __diesel_schema_migrations (version varchar(50) PRIMARY KEY NOT NULL, \
             run_on timestamp NOT NULL DEFAULT CURRENT_TIMESTAMP)",
        )
        .await
        .unwrap();
    let folder: PathBuf = [env!("CARGO_MANIFEST_DIR"), "..", "migrations"].iter().collect();
    let mut all: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    all.retain(|path| path.is_dir());
    all.sort();
    for path in all {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let version: String = name.split('_').next().unwrap().chars().filter(char::is_ascii_digit).collect();
        if version.as_str() > up_to {
            break;
        }
        let sql = std::fs::read_to_string(path.join("up.sql")).unwrap();
        owner.batch_execute(&format!("BEGIN; {sql}; COMMIT")).await.unwrap();
        let noted = format!("INSERT INTO __diesel_schema_migrations (version) VALUES ('{version}')");
        owner.batch_execute(&noted).await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_store_with_two_accounts_of_one_name_and_a_password_that_was_reset_migrates() {
    let shared = shared().await;
    let database = shared.empty_database().await;
    let address = shared.address(DatabaseRole::Owner, &database);
    let owner = connect(&address).await;
    migrate_as_before(&owner, "20261125000013").await;
    owner
        .batch_execute(
            "BEGIN; SELECT set_config('ferrotitre.act', '{\"kind\": \"system\", \"action\": \"create_account\"}', true); \
             INSERT INTO accounts (id, code, display_name, kind) VALUES \
             ('00000000-0000-7000-8000-000000000001', 'first', 'Analyst 1', 'person'), \
             ('00000000-0000-7000-8000-000000000002', 'second', 'analyst  1', 'person'); \
             INSERT INTO account_secrets (id, account_id, password_hash, provisional) VALUES \
             (gen_random_uuid(), '00000000-0000-7000-8000-000000000001', 'x', true); \
             INSERT INTO account_secrets (id, account_id, password_hash, provisional) VALUES \
             (gen_random_uuid(), '00000000-0000-7000-8000-000000000001', 'y', true); COMMIT",
        )
        .await
        .unwrap();
    migrate::run(&address).await.unwrap();
    let one = async |sql: &str| owner.query_one(sql, &[]).await.unwrap().get::<_, i64>(0);
    assert_eq!(one("SELECT count(*) FROM accounts").await, 2, "both stay");
    assert_eq!(one("SELECT count(*) FROM printed_names").await, 1, "and print one name");
    let waiting = "SELECT count(*) FROM accounts WHERE unconfirmed_secret(id) IS NOT NULL";
    assert_eq!(one(waiting).await, 0, "a password set before anybody had to confirm it counts as confirmed");
    let events =
        "SELECT count(*) FROM audit_events WHERE entity_kind = 'identity_confirmations' AND action = 'migrate'";
    assert_eq!(one(events).await, 1, "and that is in the log");
    let third = "BEGIN; SELECT set_config('ferrotitre.act', '{\"kind\": \"system\", \"action\": \"create_account\"}', true); \
                 INSERT INTO accounts (id, code, display_name, kind) VALUES (gen_random_uuid(), 'third', 'ANALYST1', 'person')";
    let refused = owner.batch_execute(third).await.unwrap_err();
    assert_eq!(refused.as_db_error().unwrap().constraint(), Some("printed_names_once"));
    drop(owner);
    shared.drop_database(&database).await;
}

/// Tables and columns that `api/schema/src/lib.rs` declares, with their types as PostgreSQL calls them.
fn declared() -> BTreeMap<String, Vec<(String, String)>> {
    let path: PathBuf = [env!("CARGO_MANIFEST_DIR"), "..", "api", "schema", "src", "lib.rs"].iter().collect();
    let text = std::fs::read_to_string(path).unwrap();
    let mut tables: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
    let mut table = String::new();
    for line in text.lines().map(str::trim).filter(|line| !line.starts_with("//") && !line.starts_with('#')) {
        if let Some((name, _)) = line.split_once(" (").filter(|_| line.ends_with(") {")) {
            table = name.to_owned();
        } else if let Some((column, kind)) = line.split_once(" -> ") {
            let sql = sql_type(kind.trim_end_matches(','));
            tables.entry(table.clone()).or_default().push((column.to_owned(), sql));
        }
    }
    tables
}

fn sql_type(diesel: &str) -> String {
    let inside = |outer: &str| diesel.strip_prefix(outer).and_then(|rest| rest.strip_suffix('>'));
    if let Some(inner) = inside("Nullable<") {
        return format!("{} null", sql_type(inner));
    }
    if let Some(inner) = inside("Array<") {
        return format!("{}[]", sql_type(inner));
    }
    let name = match diesel {
        "Int2" | "SmallInt" => "smallint",
        "Int4" | "Integer" => "integer",
        "Int8" | "BigInt" => "bigint",
        "Text" => "text",
        "Bool" => "boolean",
        "Bytea" | "Binary" => "bytea",
        "Uuid" => "uuid",
        "Numeric" => "numeric",
        "Date" => "date",
        "Float8" | "Double" => "double precision",
        "Timestamptz" => "timestamp with time zone",
        "Jsonb" => "jsonb",
        other => other,
    };
    name.to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_declared_schema_is_the_schema_of_the_catalogue() {
    let app = TestApp::start().await;
    let sql = "SELECT c.relname::text, a.attname::text, format_type(a.atttypid, a.atttypmod) || \
               CASE WHEN a.attnotnull THEN '' ELSE ' null' END FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid \
               WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND a.attnum > 0 \
               AND NOT a.attisdropped AND c.relname NOT LIKE '\\_\\_diesel%' ORDER BY c.relname, a.attnum";
    let mut tables: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
    for row in app.sql(DatabaseRole::Superuser).await.query(sql, &[]).await.unwrap() {
        tables.entry(row.get(0)).or_default().push((row.get(1), row.get(2)));
    }
    let declared = declared();
    assert_eq!(declared.keys().collect::<Vec<_>>(), tables.keys().collect::<Vec<_>>());
    for (table, columns) in &tables {
        assert_eq!(declared.get(table), Some(columns), "{table}");
    }
}
