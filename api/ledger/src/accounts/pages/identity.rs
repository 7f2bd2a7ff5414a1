//! The page on which a second person says whose an account is.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ConfirmIdentities;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Form, Kind, Sent, onward};
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::accounts::service;
use crate::accounts::wire::NewIdentityConfirmation;

/// Confirms that an account is in the hands of its owner.
#[routes]
#[get("/accounts/{id}/identity-confirmation")]
#[post("/accounts/{id}/identity-confirmation")]
pub(super) async fn confirm_identity(
    who: Allowed<ConfirmIdentities>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let account = service::read(&db, *id).await?;
    let back = format!("/accounts/{id}");
    let form = Form::new(format!("Whose is {}?", account.code), "Sign and confirm", back.as_str())
        .lead(format!(
            "Somebody else set the password of this account. You sign that you know it to be in the hands of {}.",
            account.display_name
        ))
        .with([
            Field::new("reason", "How you know", Kind::Long).help("At least 5 characters."),
            Field::new("password", "Your own password, again", Kind::Password),
        ])
        .help(
            "Whoever sets a password could sign as that person. A second person's word closes that gap.",
            "ISO/IEC 17025:2017 6.2.6 and 7.11.3.",
            "The account signs again at once.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewIdentityConfirmation| {
            Ok(onward(&service::confirm_identity(&db, &act, **policy, *id, new).await?, &back))
        })
        .await
}
