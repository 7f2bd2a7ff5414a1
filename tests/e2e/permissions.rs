//! Every operation, tried as nobody and as each role, against the committed matrix and the table of the service.

use std::collections::BTreeMap;
use std::path::PathBuf;

use ferrotitre_base::auth::permissions::{Action, OPEN_OPERATIONS, Role};
use ferrotitre_tests::TestApp;
use reqwest::Method;
use serde_json::Value;
use uuid::Uuid;

/// An operation of the API as the document names it.
struct Operation {
    id: String,
    method: Method,
    path: String,
}

fn operations() -> Vec<Operation> {
    let document: Value = serde_json::from_str(&ferrotitre_api::openapi::text()).unwrap();
    let mut found = Vec::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let id = operation["operationId"].as_str().unwrap().to_owned();
            let method = Method::from_bytes(method.to_ascii_uppercase().as_bytes()).unwrap();
            found.push(Operation { id, method, path: path.clone() });
        }
    }
    // Signing out ends the session that the other operations need.
    found.sort_by_key(|operation| (operation.id == "sign_out", operation.id.clone()));
    found
}

/// The path with something in place of every parameter.
fn filled(path: &str) -> String {
    path.split('/')
        .map(|part| if part.starts_with('{') { Uuid::now_v7().to_string() } else { part.to_owned() })
        .collect::<Vec<_>>()
        .join("/")
}

fn matrix_file() -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "e2e", "permission_matrix.txt"].iter().collect()
}

fn matrix_text(matrix: &BTreeMap<String, Vec<&str>>) -> String {
    let mut text =
        "# operation: who may. Written by FERROTITRE_REGENERATE=1 cargo test -p ferrotitre-tests --test e2e\n"
            .to_owned();
    for (id, roles) in matrix {
        text.push_str(&format!("{id}: {}\n", roles.join(" ")));
    }
    text
}

#[tokio::test(flavor = "multi_thread")]
async fn what_each_role_may_do_is_what_the_committed_matrix_says() {
    let app = TestApp::start().await;
    let mut matrix: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for operation in operations() {
        let mut may = Vec::new();
        for (role, client) in app.by_role() {
            let headers = [("Content-Type", "application/json")];
            let body = (operation.method != Method::GET).then(|| b"{}".to_vec());
            let answer = client.send(operation.method.clone(), &filled(&operation.path), &headers, body).await;
            // An empty body may be refused for what it lacks, but never breaks anything; readiness apart, nothing is 5xx.
            assert!(answer.status < 500, "{} as {role}: {}", operation.id, answer.text);
            let refused = match answer.status {
                401 => role == "nobody" || answer.code() == "not_signed_in" || answer.code() == "session_ended",
                403 => answer.code() == "forbidden",
                _ => false,
            };
            if !refused {
                may.push(role);
            }
        }
        assert!(matrix.insert(operation.id.clone(), may).is_none(), "{} is there twice", operation.id);
    }
    let text = matrix_text(&matrix);
    if std::env::var_os("FERROTITRE_REGENERATE").is_some() {
        std::fs::write(matrix_file(), &text).unwrap();
    }
    let committed = std::fs::read_to_string(matrix_file()).unwrap();
    assert_eq!(text, committed, "the permissions differ from e2e/permission_matrix.txt");
}

#[test]
fn the_committed_matrix_is_the_table_of_the_service() {
    let everybody = ["nobody", "analyst", "manager", "auditor", "administrator", "instrument"];
    let mut table: BTreeMap<String, Vec<&str>> =
        OPEN_OPERATIONS.iter().map(|id| ((*id).to_owned(), everybody.to_vec())).collect();
    for action in Action::ALL {
        for id in action.operations() {
            let may = Role::ALL.iter().filter(|role| action.roles().contains(role)).map(|role| role.text()).collect();
            assert!(table.insert((*id).to_owned(), may).is_none(), "{id} is listed twice");
        }
    }
    let committed = std::fs::read_to_string(matrix_file()).unwrap();
    assert_eq!(matrix_text(&table), committed);
}

#[test]
fn the_table_names_every_operation_of_the_document_and_no_other() {
    let mut documented: Vec<String> = operations().into_iter().map(|operation| operation.id).collect();
    let mut listed: Vec<String> = Action::ALL
        .iter()
        .flat_map(|action| action.operations())
        .chain(OPEN_OPERATIONS)
        .map(|id| (*id).to_owned())
        .collect();
    documented.sort();
    listed.sort();
    assert_eq!(documented, listed);
}

#[test]
fn only_these_operations_need_no_account() {
    // May only shrink. The last two are one public key, as PEM and in the form that others' programs take.
    let open = [
        "sign_in",
        "refresh_session",
        "live",
        "ready",
        "read_metrics",
        "read_about",
        "read_seal_key",
        "read_verifier_key",
    ];
    assert_eq!(OPEN_OPERATIONS, open);
}
