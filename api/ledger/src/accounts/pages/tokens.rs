//! Pages of the tokens of instruments.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ManageServiceTokens;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward};
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::accounts::pages::people::once;
use crate::accounts::service;
use crate::accounts::wire::{NewServiceToken, Revocation};
/// Issues a token for an instrument, shown once.
#[routes]
#[get("/service-tokens/new")]
#[post("/service-tokens/new")]
pub(super) async fn issue_token(
    who: Allowed<ManageServiceTokens>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let accounts = service::list(&db, &ferrotitre_html::form::first_page()).await?.items.into_iter();
    let services = accounts.filter(|account| account.kind == "service");
    let services = services.map(|account| Choice::thing(account.id, &account.code, account.display_name)).collect();
    let scopes: Vec<Choice> = service::scopes().into_iter().map(Choice::word).collect();
    let form = Form::new("Token of an instrument", "Issue", "/accounts#tokens")
        .with([
            Field::new("account", "Service account", Kind::Thing(services)),
            Field::new("label", "What it is for", Kind::Text),
            Field::new("scopes", "What it may do", Kind::Several(scopes)),
            Field::new("expires_at", "Good until", Kind::Time { now: false }).help("Within 400 days."),
        ])
        .help(
            "With a token an instrument records readings, and nothing else.",
            "ISO/IEC 17025:2017 6.2 and 7.11.3.",
            "Put the token into the instrument; it is shown once.",
        );
    let mut secret = String::new();
    let answer = shell
        .take(&who, &sent, form, async |act, new: NewServiceToken| {
            secret = service::issue_token(&db, &act, new).await?.token;
            Ok("/accounts?done=saved#tokens".to_owned())
        })
        .await?;
    once(&shell, answer, "The token was issued", "For the instrument's header Authorization: Bearer:", secret)
}

/// Revokes a token.
#[routes]
#[get("/service-tokens/{id}/revocation")]
#[post("/service-tokens/{id}/revocation")]
pub(super) async fn revoke_token(
    who: Allowed<ManageServiceTokens>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Revoke a token", "Revoke", "/accounts#tokens")
        .lead("The instrument can no longer record anything, at once.")
        .with([Field::new("reason", "Reason", Kind::Long).help("At least 5 characters.")])
        .help(
            "A token that is lost or no longer needed.",
            "ISO/IEC 17025:2017 6.2 and 7.11.3.",
            "What the instrument recorded stays.",
        );
    shell
        .take(&who, &sent, form, async |act, revocation: Revocation| {
            let answer = service::revoke_token(&db, &act, *id, revocation.reason).await?;
            Ok(onward(&answer, "/accounts#tokens"))
        })
        .await
}
