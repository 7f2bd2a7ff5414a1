//! A real browser, driven through WebDriver as a person would use it.
//!
//! The protocol is a dozen JSON requests, which the HTTP client of these tests sends as well as a library of its own would.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use uuid::Uuid;

use crate::cluster::until;

/// Name of an element in answers, fixed by the WebDriver recommendation.
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// Keys that have no character of their own, by the WebDriver recommendation.
pub mod keys {
    /// Tabulator.
    pub const TAB: &str = "\u{E004}";
    /// Enter.
    pub const ENTER: &str = "\u{E007}";
    /// Space bar.
    pub const SPACE: &str = " ";
}

/// A browser with a window of its own, gone with its profile when dropped.
pub struct Browser {
    driver: Child,
    http: reqwest::Client,
    session: String,
    profile: PathBuf,
    service: String,
}

impl Browser {
    /// Starts Chromium; paths are then those of a service.
    pub async fn open(service: &str) -> Self {
        let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|error| panic!("chromedriver: {error}; apt-get install chromium chromium-driver"));
        let http = reqwest::Client::builder().no_proxy().timeout(Duration::from_secs(60)).build().unwrap();
        let base = format!("http://127.0.0.1:{port}");
        until("chromedriver answers", async || http.get(format!("{base}/status")).send().await.ok()).await;
        let profile = std::env::temp_dir().join(format!("ferrotitre-browser-{}", Uuid::now_v7().simple()));
        let arguments = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--window-size=1280,900",
            &format!("--user-data-dir={}", profile.display()),
        ];
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "browserName": "chrome", "goog:chromeOptions": { "args": arguments }, "goog:loggingPrefs": { "browser": "ALL" },
        } } });
        let answer: Value =
            http.post(format!("{base}/session")).json(&wanted).send().await.unwrap().json().await.unwrap();
        let id = answer["value"]["sessionId"].as_str().unwrap_or_else(|| panic!("no browser: {answer}"));
        Self { driver, session: format!("{base}/session/{id}"), http, profile, service: service.to_owned() }
    }

    async fn ask(&self, method: reqwest::Method, path: &str, body: &Value) -> Result<Value, String> {
        let mut request = self.http.request(method.clone(), format!("{}{path}", self.session));
        if method == reqwest::Method::POST {
            request = request.json(body);
        }
        let response = request.send().await.map_err(|error| error.to_string())?;
        let good = response.status().is_success();
        let answer: Value = response.json().await.map_err(|error| error.to_string())?;
        if good { Ok(answer["value"].clone()) } else { Err(answer["value"].to_string()) }
    }

    #[track_caller]
    fn good(answer: Result<Value, String>) -> Value {
        answer.unwrap_or_else(|error| panic!("the browser refuses: {error}"))
    }

    async fn post(&self, path: &str, body: Value) -> Value {
        Self::good(self.ask(reqwest::Method::POST, path, &body).await)
    }

    async fn read(&self, path: &str) -> Value {
        Self::good(self.ask(reqwest::Method::GET, path, &Value::Null).await)
    }

    /// Opens a page.
    pub async fn goto(&self, path: &str) {
        self.post("/url", json!({ "url": format!("{}{path}", self.service) })).await;
    }

    /// Path and query of the page that is open.
    pub async fn path(&self) -> String {
        let url = self.read("/url").await;
        url.as_str().unwrap_or_default().strip_prefix(&self.service).unwrap_or_default().to_owned()
    }

    /// Elements that a selector finds.
    async fn elements(&self, selector: &str) -> Vec<String> {
        let found = self.post("/elements", json!({ "using": "css selector", "value": selector })).await;
        let id = |element: &Value| element[ELEMENT].as_str().unwrap_or_default().to_owned();
        found.as_array().map(|all| all.iter().map(id).collect()).unwrap_or_default()
    }

    /// Whether a selector finds anything.
    pub async fn has(&self, selector: &str) -> bool {
        !self.elements(selector).await.is_empty()
    }

    /// The first element that a selector finds, waited for.
    async fn element(&self, selector: &str) -> String {
        until(&format!("{selector} is there"), async || self.elements(selector).await.into_iter().next()).await
    }

    /// Clicks.
    pub async fn click(&self, selector: &str) {
        let id = self.element(selector).await;
        // The driver scrolls just far enough, which may be behind what stays at the foot of the window.
        let script = "arguments[0].scrollIntoView({ block: 'center' })";
        self.post("/execute/sync", json!({ "script": script, "args": [{ ELEMENT: id }] })).await;
        self.post(&format!("/element/{id}/click"), json!({})).await;
        self.settles().await;
    }

    /// Waits for the answer to a form that the page sends itself: whoever went on before would take the form away.
    async fn settles(&self) {
        let script = "const banner = document.getElementById('unsaved');
            return !document.querySelector('form[inert]') || Boolean(banner && !banner.hidden)";
        let asked = json!({ "script": script, "args": [] });
        until("the form has its answer", async || {
            // No answer: the next page is on its way, or scripts are forbidden and the driver waits for it.
            let answer = self.ask(reqwest::Method::POST, "/execute/sync", &asked).await;
            answer.map_or(Some(()), |done| (done != Value::Bool(false)).then_some(()))
        })
        .await;
    }

    /// Puts text into a field in place of what is there.
    pub async fn fill(&self, selector: &str, text: &str) {
        let id = self.element(selector).await;
        self.post(&format!("/element/{id}/clear"), json!({})).await;
        self.post(&format!("/element/{id}/value"), json!({ "text": text })).await;
    }

    /// Chooses a file from the machine's disk.
    pub async fn choose_file(&self, selector: &str, file: &Path) {
        let id = self.element(selector).await;
        self.post(&format!("/element/{id}/value"), json!({ "text": file.display().to_string() })).await;
    }

    /// Chooses from a list.
    pub async fn choose(&self, name: &str, value: &str) {
        self.click(&format!("select[name='{name}'] option[value='{value}']")).await;
    }

    /// Types on the keyboard, wherever the focus is.
    pub async fn press(&self, text: &str) {
        let mut steps = Vec::new();
        for key in text.chars() {
            steps.push(json!({ "type": "keyDown", "value": key.to_string() }));
            steps.push(json!({ "type": "keyUp", "value": key.to_string() }));
        }
        let actions = json!({ "actions": [{ "type": "key", "id": "keyboard", "actions": steps }] });
        self.post("/actions", actions).await;
    }

    /// Name of the field that has the focus, else its tag.
    pub async fn focus(&self) -> String {
        let id = self.read("/element/active").await[ELEMENT].as_str().unwrap_or_default().to_owned();
        let name = self.read(&format!("/element/{id}/attribute/name")).await;
        match name.as_str() {
            Some(name) if !name.is_empty() => name.to_owned(),
            _ => self.read(&format!("/element/{id}/name")).await.as_str().unwrap_or_default().to_owned(),
        }
    }

    /// Value of the field that has the focus.
    pub async fn focused_value(&self) -> String {
        let id = self.read("/element/active").await[ELEMENT].as_str().unwrap_or_default().to_owned();
        self.read(&format!("/element/{id}/property/value")).await.as_str().unwrap_or_default().to_owned()
    }

    /// Text of the first element that a selector finds.
    pub async fn text(&self, selector: &str) -> String {
        let id = self.element(selector).await;
        self.read(&format!("/element/{id}/text")).await.as_str().unwrap_or_default().to_owned()
    }

    /// Value of a field.
    pub async fn value(&self, selector: &str) -> String {
        let id = self.element(selector).await;
        self.read(&format!("/element/{id}/property/value")).await.as_str().unwrap_or_default().to_owned()
    }

    /// Waits until the page's text contains words.
    pub async fn sees(&self, words: &str) {
        let seen = async || {
            // Between two pages there is no body for a moment.
            let found = self
                .ask(reqwest::Method::POST, "/element", &json!({ "using": "css selector", "value": "body" }))
                .await
                .ok()?;
            let id = found[ELEMENT].as_str()?.to_owned();
            let text = self.ask(reqwest::Method::GET, &format!("/element/{id}/text"), &Value::Null).await.ok()?;
            text.as_str()?.contains(words).then_some(())
        };
        until(&format!("the page says '{words}'"), seen).await;
    }

    /// Runs a script in the page.
    pub async fn script(&self, script: &str) -> Value {
        self.post("/execute/sync", json!({ "script": script, "args": [] })).await
    }

    /// Runs a script that answers through its last argument.
    pub async fn script_async(&self, script: &str) -> Value {
        self.post("/execute/async", json!({ "script": script, "args": [] })).await
    }

    /// A command of the browser's own protocol.
    pub async fn command(&self, name: &str, parameters: Value) -> Value {
        self.post("/goog/cdp/execute", json!({ "cmd": name, "params": parameters })).await
    }

    /// Takes the network away or gives it back.
    pub async fn offline(&self, offline: bool) {
        self.command("Network.enable", json!({})).await;
        let conditions = json!({ "offline": offline, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1 });
        self.command("Network.emulateNetworkConditions", conditions).await;
    }

    /// light or dark, as a device would say it prefers.
    pub async fn prefer(&self, look: &str) {
        let features = json!({ "features": [{ "name": "prefers-color-scheme", "value": look }] });
        self.command("Emulation.setEmulatedMedia", features).await;
    }

    /// Keeps pages from running scripts.
    pub async fn without_script(&self) {
        self.command("Emulation.setScriptExecutionDisabled", json!({ "value": true })).await;
    }

    /// Keeps the session of somebody by their access token.
    pub async fn be(&self, token: &str) {
        self.goto("/sign-in").await;
        let cookie = json!({ "cookie": { "name": "ferrotitre_access", "value": token, "path": "/", "httpOnly": true, "sameSite": "Strict" } });
        self.post("/cookie", cookie).await;
    }

    /// Signs in as a person does.
    pub async fn sign_in(&self, account: &str, password: &str) {
        let _ = self.ask(reqwest::Method::DELETE, "/cookie", &Value::Null).await;
        self.goto("/sign-in").await;
        self.fill("[name=account]", account).await;
        self.fill("[name=password]", password).await;
        self.click("form.entry button.main").await;
        self.sees("Sign out").await;
    }

    /// Everything the page wrote to the browser's console, such as what its policy forbade.
    pub async fn console(&self) -> Vec<String> {
        let lines = self.post("/se/log", json!({ "type": "browser" })).await;
        let message = |line: &Value| line["message"].as_str().unwrap_or_default().to_owned();
        lines.as_array().map(|lines| lines.iter().map(message).collect()).unwrap_or_default()
    }

    /// A picture of the whole page at a width.
    pub async fn picture(&self, width: u32, file: &Path) {
        let size = |height: u64| json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.command("Emulation.setDeviceMetricsOverride", size(900)).await;
        let height = self.script("return document.documentElement.scrollHeight").await.as_u64().unwrap_or(900);
        // A window as high as the page, so that what stays at the foot of the window is at the foot of the picture.
        self.command("Emulation.setDeviceMetricsOverride", size(height.min(4000))).await;
        self.window(file).await;
    }

    /// A picture of what the window shows.
    pub async fn window(&self, file: &Path) {
        let picture = self.command("Page.captureScreenshot", json!({ "format": "png" })).await;
        let bytes = base64(picture["data"].as_str().unwrap_or_default());
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, bytes).unwrap();
    }

    /// Ends the browser.
    pub async fn close(self) {
        let _ = self.ask(reqwest::Method::DELETE, "", &Value::Null).await;
    }
}

/// Decodes what the browser encodes its pictures with (RFC 4648, section 4).
fn base64(text: &str) -> Vec<u8> {
    let digit = |byte: u8| match byte {
        b'A'..=b'Z' => Some(u32::from(byte - b'A')),
        b'a'..=b'z' => Some(u32::from(byte - b'a') + 26),
        b'0'..=b'9' => Some(u32::from(byte - b'0') + 52),
        b'+' => Some(62),
        b'/' => Some(63),
        _ => None,
    };
    let digits: Vec<u32> = text.bytes().filter_map(digit).collect();
    let mut bytes = Vec::with_capacity(digits.len() * 3 / 4);
    for four in digits.chunks(4) {
        let whole = four.iter().fold(0, |whole, digit| whole << 6 | digit) << (6 * (4 - four.len()));
        bytes.extend_from_slice(&whole.to_be_bytes()[1..four.len()]);
    }
    bytes
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.driver.kill();
        let _ = self.driver.wait();
        let _ = std::fs::remove_dir_all(&self.profile);
    }
}
