//! The pages: settings, endpoint and choice by forms, and what is shown to whom.

use chrono::Utc;
use ferrotitre_base::alert::Urgency;
use ferrotitre_tests::client::Client;
use ferrotitre_tests::mail::{MailServer, free_port};

use super::{World, alert};
use crate::pages::Visitor;

/// Sends a form with the code and the key that its page carries.
async fn send(visitor: &Visitor, path: &str, fields: &[(&str, &str)]) -> (u16, String, String) {
    let page = visitor.get(path).await;
    assert_eq!(page.status, 200, "{path}: {}", page.text);
    let (code, key) = (page.hidden("_code"), page.hidden("_key"));
    let mut all = vec![("_code", code), ("_key", key)];
    all.extend_from_slice(fields);
    let answer = visitor.post(path, &all).await;
    (answer.status, answer.header("location").to_owned(), answer.text)
}

fn visitor(world: &World, who: &Client) -> Visitor {
    Visitor::of(world.app.running.address, who)
}

#[tokio::test(flavor = "multi_thread")]
async fn an_administrator_settles_e_mail_and_an_analyst_chooses_it_by_forms() {
    let world = World::start().await;
    let server = MailServer::start(free_port(), &[]);
    let administrator = visitor(&world, &world.app.administrator);
    let port = server.port.to_string();
    let mut fields = vec![
        ("active", "true"),
        ("host", "127.0.0.1"),
        ("port", port.as_str()),
        ("encryption", "none"),
        ("user_name", ""),
        ("password", ""),
        ("sender", "iron@harbour.example"),
        ("base_address", "https://iron.harbour.example/"),
        ("domains", "harbour.example\n"),
        ("reason", "the first mail server"),
    ];
    let (status, _, text) = send(&administrator, "/messages/mail", &fields).await;
    assert!(status == 422 && text.contains("without a slash at its end"), "{status} {text}");
    fields[7].1 = "https://iron.harbour.example";
    let (status, place, text) = send(&administrator, "/messages/mail", &fields).await;
    assert_eq!((status, place.as_str()), (303, "/messages?done=saved#mail"), "{text}");
    let test = [("address", "administrator@harbour.example")];
    let (status, place, text) = send(&administrator, "/messages/mail/test", &test).await;
    assert_eq!(status, 303, "{text}");
    let page = administrator.get(&place).await.text;
    assert!(page.contains("250 2.0.0 taken") && !page.contains("What it says"), "{page}");

    let analyst = visitor(&world, &world.app.analyst);
    assert!(analyst.get("/account").await.text.contains("href=\"/account/messages\""));
    let choice = [("address", "analyst@harbour.example"), ("at_once", "true"), ("digest_hour", "")];
    let (status, place, text) = send(&analyst, "/account/messages", &choice).await;
    assert_eq!((status, place.as_str()), (303, "/account?done=saved"), "{text}");
    assert!(analyst.get("/account/messages").await.text.contains("value=\"analyst@harbour.example\""));
    world.sees(Utc::now(), &[alert("B-1", Urgency::Now)]).await;
    server.taken(2).await;

    let manager = visitor(&world, &world.app.manager);
    let list = manager.get("/messages").await.text;
    assert!(list.contains("analyst@harbour.example") && list.contains("delivered"), "{list}");
    assert!(!list.contains("/messages/mail") && !list.contains("B-1"), "{list}");
    let message = list.split("href=\"/messages/").nth(1).unwrap().split('"').next().unwrap();
    let page = manager.get(&format!("/messages/{message}")).await.text;
    assert!(page.contains("What it says") && page.contains("B-1"), "{page}");
    assert!(manager.get("/accounts").await.text.contains("href=\"/messages\""));
    assert_eq!(analyst.get("/messages").await.status, 403);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_secret_of_an_endpoint_is_shown_once() {
    let world = World::start().await;
    let administrator = visitor(&world, &world.app.administrator);
    let fields = [
        ("name", "board"),
        ("address", "https://board.harbour.example/alerts"),
        ("plain_http", "false"),
        ("reason", "the control room wants to know"),
    ];
    let (status, _, text) = send(&administrator, "/messages/endpoints/new", &fields).await;
    assert!(status == 200 && text.contains("whsec_"), "{status} {text}");
    let list = administrator.get("/messages").await.text;
    assert!(list.contains("https://board.harbour.example/alerts") && !list.contains("whsec_"), "{list}");
    let end = list.split("href=\"/messages/endpoints/").find(|part| part.contains("/end\"")).unwrap();
    let end = format!("/messages/endpoints/{}", end.split('"').next().unwrap());
    let (status, place, text) = send(&administrator, &end, &[("reason", "taken down")]).await;
    assert_eq!((status, place.as_str()), (303, "/messages?done=saved#endpoints"), "{text}");
    assert!(administrator.get("/messages").await.text.contains("taken down"));
}
