//! Messages over HTTP.

use actix_web::http::header::CACHE_CONTROL;
use actix_web::{HttpResponse, get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ChooseMessages, ManageMessages, ReadMessages};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::courier::Courier;
use crate::wire::{
    MailChoice, MailSettings, MessageHistory, MessageView, MessagesAsked, NewMailSettings, NewTestMessage,
    NewWebhookEndpoint, OwnMailChoice, RecordedWebhookEndpoint, WebhookEndpoint, WebhookEndpointEnd,
};
use crate::{choices, endpoints, mail, outbox};

/// Reads what one is told by e-mail.
#[utoipa::path(tag = "messages", responses((status = 200, description = "The own choice", body = OwnMailChoice)))]
#[get("/accounts/me/messages")]
pub(super) async fn read_own_message_choice(
    who: Allowed<ChooseMessages>,
    db: web::Data<Db>,
) -> Result<web::Json<OwnMailChoice>, Problem> {
    Ok(web::Json(choices::own(&db, who.user().account).await?))
}

/// Chooses what one is told by e-mail, from now on.
#[utoipa::path(tag = "messages", request_body = MailChoice, responses((status = 201, description = "Chosen", body = OwnMailChoice)))]
#[post("/accounts/me/messages")]
pub(super) async fn choose_messages(
    who: Allowed<ChooseMessages>,
    db: web::Data<Db>,
    body: Body<MailChoice>,
) -> Result<Answer, Problem> {
    let (act, choice) = who.act(body);
    Ok(choices::choose(&db, &act, choice).await?)
}

/// Reads how e-mail is and was sent, newest first. The password is never shown.
#[utoipa::path(tag = "messages", responses((status = 200, description = "Settings", body = Vec<MailSettings>)))]
#[get("/mail-settings")]
pub(super) async fn read_mail_settings(
    _who: Allowed<ManageMessages>,
    db: web::Data<Db>,
) -> Result<web::Json<Vec<MailSettings>>, Problem> {
    Ok(web::Json(mail::settings(&db).await?))
}

/// Settles how e-mail is sent from now on.
#[utoipa::path(tag = "messages", request_body = NewMailSettings, responses((status = 201, description = "Settled", body = MailSettings)))]
#[post("/mail-settings")]
pub(super) async fn record_mail_settings(
    who: Allowed<ManageMessages>,
    db: web::Data<Db>,
    body: Body<NewMailSettings>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(mail::record(&db, &act, new).await?)
}

/// Sends a test message at once; `answer` is what the mail server said.
#[utoipa::path(tag = "messages", request_body = NewTestMessage, responses((status = 201, description = "Tried", body = MessageView)))]
#[post("/mail-settings/tests")]
pub(super) async fn send_test_message(
    who: Allowed<ManageMessages>,
    db: web::Data<Db>,
    courier: web::Data<Courier>,
    body: Body<NewTestMessage>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(mail::test(&db, &courier, &act, new).await?)
}

/// Lists endpoints, without their secrets.
#[utoipa::path(tag = "messages", responses((status = 200, description = "Endpoints", body = Vec<WebhookEndpoint>)))]
#[get("/webhook-endpoints")]
pub(super) async fn list_webhook_endpoints(
    _who: Allowed<ManageMessages>,
    db: web::Data<Db>,
) -> Result<web::Json<Vec<WebhookEndpoint>>, Problem> {
    Ok(web::Json(endpoints::list(&db).await?))
}

/// Records a program that is told of every alert that begins and ends; its secret is shown this once.
#[utoipa::path(tag = "messages", request_body = NewWebhookEndpoint, responses((status = 201, description = "Recorded", body = RecordedWebhookEndpoint)))]
#[post("/webhook-endpoints")]
pub(super) async fn record_webhook_endpoint(
    who: Allowed<ManageMessages>,
    db: web::Data<Db>,
    body: Body<NewWebhookEndpoint>,
) -> Result<HttpResponse, Problem> {
    let (act, new) = who.act(body);
    let recorded = endpoints::record(&db, &act, new).await?;
    Ok(HttpResponse::Created().insert_header((CACHE_CONTROL, "no-store")).json(recorded))
}

/// Ends an endpoint, with a reason; what waits for it is given up.
#[utoipa::path(tag = "messages", params(("id" = Uuid, Path, description = "Endpoint")), request_body = WebhookEndpointEnd, responses((status = 201, description = "Ended", body = WebhookEndpoint)))]
#[post("/webhook-endpoints/{id}/end")]
pub(super) async fn end_webhook_endpoint(
    who: Allowed<ManageMessages>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<WebhookEndpointEnd>,
) -> Result<Answer, Problem> {
    let (act, end) = who.act(body);
    Ok(endpoints::end(&db, &act, *id, end).await?)
}

/// Lists messages, newest first, without what they say.
#[utoipa::path(tag = "messages", params(MessagesAsked), responses((status = 200, description = "Messages", body = Page<MessageView>)))]
#[get("/messages")]
pub(super) async fn list_messages(
    _who: Allowed<ReadMessages>,
    db: web::Data<Db>,
    asked: Params<MessagesAsked>,
) -> Result<web::Json<Page<MessageView>>, Problem> {
    Ok(web::Json(outbox::list(&db, &asked.0).await?))
}

/// Reads a message with its tries.
#[utoipa::path(tag = "messages", params(("id" = Uuid, Path, description = "Message")), responses((status = 200, description = "Message", body = MessageHistory)))]
#[get("/messages/{id}")]
pub(super) async fn read_message(
    who: Allowed<ReadMessages>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<MessageHistory>, Problem> {
    Ok(web::Json(outbox::read(&db, *id, &who.user().roles).await?))
}
