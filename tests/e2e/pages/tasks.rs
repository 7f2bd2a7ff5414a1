//! What each role does most often: how many clicks and pages it takes in a browser, on the demo laboratory.

use std::time::Instant;

use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::cluster::until;
use ferrotitre_tests::demo;

/// Somebody whose pages and clicks are counted; keys are not.
pub(super) struct Counted {
    pub(super) browser: Browser,
    pub(super) pages: u32,
    pub(super) clicks: u32,
}

impl Counted {
    pub(super) fn of(browser: Browser) -> Self {
        Self { browser, pages: 0, clicks: 0 }
    }

    async fn mark(&self) -> String {
        let script = "return document.readyState === 'complete' ? String(performance.timeOrigin) : ''";
        self.browser.script(script).await.to_string()
    }

    pub(super) async fn click(&mut self, selector: &str) {
        self.browser.click(selector).await;
        self.clicks += 1;
    }

    /// A click that leads to a page.
    pub(super) async fn on(&mut self, selector: &str) {
        let before = self.mark().await;
        self.click(selector).await;
        self.arrives(&before).await;
    }

    async fn arrives(&mut self, before: &str) {
        until("the next page is there", async || {
            let now = self.mark().await;
            (now != before && now != "\"\"").then_some(())
        })
        .await;
        self.pages += 1;
    }

    /// A link by its words. A click on it leads to a page.
    async fn follow(&mut self, words: &str) {
        let mark = format!(
            "const all = [...document.querySelectorAll('a')].filter((one) => one.innerText.trim() === {words:?} && one.offsetParent); \
             all[0]?.setAttribute('data-next', ''); return all.length"
        );
        let found = self.browser.script(&mark).await;
        assert!(found.as_u64() > Some(0), "{} has no link {words:?}", self.browser.path().await);
        self.on("[data-next]").await;
    }

    /// Types a code into the box of every page; the key that sends it counts as a click.
    async fn find(&mut self, code: &str) {
        let before = self.mark().await;
        self.browser.fill(".find input", &format!("{code}\n")).await;
        self.clicks += 1;
        self.arrives(&before).await;
    }

    /// Ends a task that began on the day's page: no more clicks than are said.
    async fn took(&mut self, who: &str, task: &str, begun: Instant, most: u32, sees: &str) {
        self.browser.sees(sees).await;
        println!("{who}, {task}: {} clicks, {} pages, {:.1} s", self.clicks, self.pages, begun.elapsed().as_secs_f64());
        assert!(self.clicks <= most, "{who}, {task}: {} clicks, {most} are enough", self.clicks);
        (self.pages, self.clicks) = (0, 0);
    }
}

/// A step of a task.
enum Step {
    Find(&'static str),
    Follow(&'static str),
    On(&'static str),
}

use Step::{Find, Follow, On};

/// A task: what, its steps from the day's page, what is seen at the end. As many clicks as steps.
type Task = (&'static str, &'static [Step], &'static str);

const AUDITOR: &[Task] = &[
    ("everything of one code", &[Find("DET-000001"), Follow("Audit events")], "DET-000001"),
    ("what a lot touches", &[Find("M-1"), Follow("Where used")], "signature"),
    ("is the log sealed", &[Follow("Records"), Follow("Signed tree heads")], "Root"),
    ("proof of control of a result", &[Find("DET-000001"), Follow("Proof of control")], "Proof of control"),
    ("what was exported", &[Follow("Records"), Follow("Exports")], "put on record"),
];

const MANAGER: &[Task] = &[
    ("why a lot drifts", &[Find("M-1"), Follow("Drift")], "Factor against time"),
    ("decide on what waits", &[On("a[href='/decisions']")], "Your own password"),
    ("the control charts", &[Follow("Quality")], "Begin a control"),
    ("open nonconformities", &[Follow("Quality"), Follow("Nonconformities")], "Brought up by"),
    ("results of one method, largest first", &[Follow("Results"), On("th a[href*='sort=-result']")], "in order"),
];

const ANALYST: &[Task] = &[
    ("what can be titrated now", &[Follow("Bench")], "Scan or type"),
    ("a result with its working", &[Find("DET-000001")], "Working"),
    ("begin runs with what waits", &[Follow("Begin runs")], "What is titrated"),
    ("register a sample", &[Follow("Samples"), Follow("Register and take portions")], "Code on the label"),
    ("the factor of a lot", &[Find("M-1")], "Factors"),
];

#[tokio::test(flavor = "multi_thread")]
async fn the_five_commonest_tasks_of_each_role_take_few_clicks() {
    for (account, tasks) in [("auditor-1", AUDITOR), ("manager-1", MANAGER), ("analyst-1", ANALYST)] {
        let (address, password) = demo::sign_in_of(account).await;
        let browser = Browser::open(&format!("http://{address}")).await;
        browser.sign_in(account, &password).await;
        let mut person = Counted::of(browser);
        for (task, steps, sees) in tasks {
            person.browser.goto("/day").await;
            let begun = Instant::now();
            for step in *steps {
                match step {
                    Find(code) => person.find(code).await,
                    Follow(words) => person.follow(words).await,
                    On(selector) => person.on(selector).await,
                }
            }
            person.took(account, task, begun, 2, sees).await;
        }
        person.browser.close().await;
    }
}
