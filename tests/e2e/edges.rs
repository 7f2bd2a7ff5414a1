//! The edges of HTTP: whatever is asked in whatever way, a refusal is a problem document, and HEAD answers as GET does.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::app::sign_in;
use reqwest::Method;
use serde_json::Value;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

/// Head and body of what is answered to these bytes, until the connection ends.
async fn answered(app: &TestApp, request: &[u8]) -> (String, Vec<u8>) {
    let mut stream = TcpStream::connect(app.running.address).await.unwrap();
    // A server that has refused already may have closed its end.
    let _ = stream.write_all(request).await;
    let mut answer = Vec::new();
    let reading = stream.read_to_end(&mut answer);
    let _ = tokio::time::timeout(std::time::Duration::from_secs(60), reading).await.unwrap();
    let end = answer.windows(4).position(|four| four == b"\r\n\r\n").unwrap_or(answer.len());
    let body = answer.get(end + 4..).unwrap_or_default().to_vec();
    (String::from_utf8_lossy(answer.get(..end).unwrap_or_default()).to_ascii_lowercase(), body)
}

async fn asked(app: &TestApp, line: &str, headers: &str, body: &[u8]) -> (String, Vec<u8>) {
    let token = app.manager.token();
    let head = format!(
        "{line} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nAuthorization: Bearer {token}\r\n{headers}\r\n"
    );
    answered(app, &[head.as_bytes(), body].concat()).await
}

fn header<'a>(head: &'a str, name: &str) -> Option<&'a str> {
    head.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(": "))
}

#[tokio::test(flavor = "multi_thread")]
async fn whatever_is_refused_is_refused_with_a_problem_document() {
    let app = TestApp::start().await;
    let json = "Content-Type: application/json\r\nContent-Length: 2\r\n";
    let large = "Content-Type: application/json\r\nContent-Length: 300000\r\n";
    let cases: [(&str, &str, &[u8], u16, &str); 20] = [
        ("GET /api/v1/nothing", "", b"", 404, "not_found"),
        ("GET /api/nothing", "", b"", 404, "not_found"),
        ("GET /api", "", b"", 404, "not_found"),
        ("GET /api/docs/nothing", "", b"", 404, "not_found"),
        ("GET /api/v1/equipment/%FF%FE", "", b"", 404, "not_found"),
        ("GET /api/v1/equipment/B-01", "", b"", 404, "not_found"),
        ("DELETE /api/v1/equipment", "", b"", 405, "method_not_allowed"),
        ("PUT /api/v1/about", json, b"{}", 405, "method_not_allowed"),
        ("OPTIONS /api/v1/equipment", "", b"", 405, "method_not_allowed"),
        ("TRACE /api/v1/equipment", "", b"", 405, "method_not_allowed"),
        ("BREW /api/v1/equipment", "", b"", 405, "method_not_allowed"),
        ("GET /api/v1/equipment?limit=%FF", "", b"", 422, "invalid_input"),
        ("GET /api/v1/equipment?limit=1&limit=2", "", b"", 422, "invalid_input"),
        ("GET /api/v1/equipment?%zz", "", b"", 422, "invalid_input"),
        ("POST /api/v1/equipment", json, b"[]", 422, "invalid_input"),
        ("POST /api/v1/equipment", json, b"{ ", 400, "unreadable"),
        ("POST /api/v1/equipment", large, b"", 413, "too_large"),
        ("POST /api/v1/equipment", "Content-Length: 2\r\n", b"{}", 415, "not_json"),
        ("POST /api/v1/equipment", "Content-Type: application/jsonp\r\nContent-Length: 2\r\n", b"{}", 415, "not_json"),
        (
            "POST /api/v1/equipment",
            "Content-Type: multipart/form-data\r\nContent-Length: 2\r\n",
            b"--",
            415,
            "not_json",
        ),
    ];
    for (line, headers, body, status, code) in cases {
        let (head, body) = asked(&app, line, headers, body).await;
        assert!(head.starts_with(&format!("http/1.1 {status} ")), "{line}: {head}");
        assert_eq!(header(&head, "content-type"), Some("application/problem+json"), "{line}: {head}");
        let problem: Value = serde_json::from_slice(&body).unwrap();
        assert_eq!((&problem["status"], &problem["code"]), (&status.into(), &code.into()), "{line}: {problem}");
        assert_eq!(problem["type"], format!("/problems/{code}"), "{line}: {problem}");
        assert_eq!(problem["instance"].as_str(), header(&head, "x-request-id"), "{line}: {head}");
        assert!(!problem["detail"].as_str().unwrap().contains("service's log"), "{line}: {problem}");
        assert_eq!(header(&head, "allow").is_some(), status == 405, "{line}: {head}");
    }
    let (head, _) = asked(&app, "DELETE /api/v1/equipment", "", b"").await;
    assert_eq!(header(&head, "allow"), Some("get, head, post"));
}

/// The parser of HTTP refuses these before anything of ours reads them: without a body, and with the end of the connection.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_no_request_is_refused_by_its_status_alone() {
    let app = TestApp::start().await;
    let long = vec![b'a'; 200_000];
    let fields: String = (0..120).map(|n| format!("X-{n}: a\r\n")).collect();
    let about = "GET /api/v1/about HTTP/1.1\r\nHost: localhost\r\n";
    let cases = [
        (b"iron, 23.18\r\n\r\n".to_vec(), 400),
        (format!("{about}Content-Length: two\r\n\r\n").into_bytes(), 400),
        (b"GET /api/v1/equipment/\xff HTTP/1.1\r\nHost: localhost\r\n\r\n".to_vec(), 400),
        (format!("{about}{fields}\r\n").into_bytes(), 431),
        ([b"GET /".to_vec(), long.clone(), b" HTTP/1.1\r\n\r\n".to_vec()].concat(), 431),
    ];
    for (request, status) in cases {
        let (head, body) = answered(&app, &request).await;
        assert!(head.starts_with(&format!("http/1.1 {status} ")), "{head}");
        assert_eq!((header(&head, "connection"), body.len()), (Some("close"), 0), "{head}");
    }
    // It goes on serving.
    assert_eq!(app.nobody.get("/about").await.status, 200);
}

#[tokio::test(flavor = "multi_thread")]
async fn head_answers_as_get_does_without_the_body() {
    let app = TestApp::start().await;
    for path in [
        "/sign-in",
        "/",
        "/assets/nothing",
        "/health",
        "/api/v1/about",
        "/api/v1/equipment",
        "/api/v1/nothing",
        "/api/openapi.json",
    ] {
        let (get, body) = asked(&app, &format!("GET {path}"), "", b"").await;
        let (head, none) = asked(&app, &format!("HEAD {path}"), "", b"").await;
        assert!(none.is_empty(), "{path}: {} bytes", none.len());
        assert_eq!(head.lines().next(), get.lines().next(), "{path}");
        for name in ["content-type", "content-length", "location", "etag"] {
            assert_eq!(header(&head, name), header(&get, name), "{path}: {head}");
        }
        assert!(!body.is_empty() || path == "/", "{path}");
    }
    // Who may not read may not ask for the head, either.
    let refused = app.nobody.send(Method::HEAD, "/equipment", &[], None).await;
    assert_eq!((refused.status, refused.header("content-type")), (401, "application/problem+json"));
    // A path that only takes POST takes no HEAD.
    let refused = app.manager.send(Method::HEAD, "/preparations", &[], None).await;
    assert_eq!((refused.status, refused.header("allow")), (405, "POST"));
}

#[tokio::test(flavor = "multi_thread")]
async fn head_of_a_stream_ends_at_once() {
    let app = TestApp::start().await;
    let (head, body) = asked(&app, "HEAD /api/v1/alerts/stream", "", b"").await;
    assert!(head.starts_with("http/1.1 200 "), "{head}");
    assert_eq!((header(&head, "content-type"), body.len()), (Some("text/event-stream"), 0));
    // The service has let go of it: another session is granted, and the first one ends as it should.
    let token = sign_in(&app.nobody, &app.manager.code, &app.manager.password).await;
    assert_eq!(app.nobody.with_token(&token).delete("/sessions/current").await.status, 204);
}
