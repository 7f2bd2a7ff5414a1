//! Somebody at a browser, who follows links and fills in forms, and is counted.

use std::cell::RefCell;

use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::cluster::until;

/// What a stage asked of people.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Counts {
    pub(super) pages: u32,
    pub(super) forms: u32,
    pub(super) typed: u32,
    pub(super) chosen: u32,
    pub(super) refused: u32,
}

impl Counts {
    fn plus(self, other: Self) -> Self {
        Self {
            pages: self.pages + other.pages,
            forms: self.forms + other.forms,
            typed: self.typed + other.typed,
            chosen: self.chosen + other.chosen,
            refused: self.refused + other.refused,
        }
    }
}

/// Stages in their order, the present one last.
#[derive(Debug, Default)]
pub(super) struct Tally(RefCell<Vec<(&'static str, Counts)>>);

impl Tally {
    pub(super) fn stage(&self, name: &'static str) {
        self.0.borrow_mut().push((name, Counts::default()));
    }

    fn add(&self, one: Counts) {
        if let Some((_, counts)) = self.0.borrow_mut().last_mut() {
            *counts = counts.plus(one);
        }
    }

    /// One line a stage, and one for all of them.
    pub(super) fn print(&self) -> Counts {
        let stages = self.0.borrow();
        let all = stages.iter().fold(Counts::default(), |all, (_, counts)| all.plus(*counts));
        println!("{:<28} {:>6} {:>6} {:>6} {:>7} {:>8}", "stage", "pages", "forms", "typed", "chosen", "refused");
        for (name, of) in stages.iter().chain([&("in all", all)]) {
            let Counts { pages, forms, typed, chosen, refused } = of;
            println!("{name:<28} {pages:>6} {forms:>6} {typed:>6} {chosen:>7} {refused:>8}");
        }
        all
    }
}

/// A person with a browser of their own.
pub(super) struct Desk<'a> {
    browser: Browser,
    tally: &'a Tally,
    pub(super) code: &'static str,
    pub(super) password: &'static str,
}

impl<'a> Desk<'a> {
    pub(super) async fn of(service: &str, tally: &'a Tally, (code, password): (&'static str, &'static str)) -> Self {
        Self { browser: Browser::open(service).await, tally, code, password }
    }

    fn loaded(&self) {
        self.tally.add(Counts { pages: 1, ..Counts::default() });
    }

    /// Types the service's address: the only one anybody types.
    pub(super) async fn start(&self) {
        self.browser.goto("/").await;
        self.loaded();
    }

    pub(super) async fn path(&self) -> String {
        self.browser.path().await
    }

    pub(super) async fn has(&self, selector: &str) -> bool {
        self.browser.has(selector).await
    }

    /// Follows a link that is on the page; a page without it is a dead end.
    pub(super) async fn follow(&self, selector: &str) {
        assert!(self.has(selector).await, "{}: a dead end at {}: no {selector}", self.code, self.path().await);
        let before = self.mark().await;
        self.browser.click(selector).await;
        until("the link leads on", async || (self.mark().await != before).then_some(())).await;
        self.loaded();
    }

    /// When the page that is open was loaded.
    async fn mark(&self) -> String {
        self.browser
            .script("return document.readyState === 'complete' ? String(performance.timeOrigin) : ''")
            .await
            .to_string()
    }

    /// The link with these words.
    pub(super) async fn link(&self, words: &str) {
        let script = format!(
            "for (const link of document.querySelectorAll('main a')) {{ link.removeAttribute('data-wanted');
                if (link.textContent.trim() === '{words}') link.setAttribute('data-wanted', ''); }}"
        );
        self.browser.script(&script).await;
        assert!(
            self.has("[data-wanted]").await,
            "{}: a dead end at {}: no link '{words}' in: {}",
            self.code,
            self.path().await,
            self.browser.text("main").await
        );
        self.follow("[data-wanted]").await;
    }

    /// From the day to the list of what the first result needs, and from there to where this person brings it.
    pub(super) async fn need(&self, what: &str) {
        self.place("/").await;
        self.follow("main a[href='/first-result']").await;
        let script = format!(
            "for (const line of document.querySelectorAll('#needs tbody tr')) {{
                const link = line.querySelector('a');
                if (link && line.cells[1].textContent.trim() === '{what}') link.setAttribute('data-wanted', ''); }}"
        );
        self.browser.script(&script).await;
        assert!(
            self.has("[data-wanted]").await,
            "{}: no way to '{what}' in {:?}",
            self.code,
            self.texts("#needs tr").await
        );
        self.follow("[data-wanted]").await;
    }

    /// A place of the head of every page.
    pub(super) async fn place(&self, address: &str) {
        if !self.wants_place(address, "link.getAttribute('href') === address").await {
            // Under its kind of work, which the menu of narrow screens names above it.
            let of = "link.closest('.works') && link.textContent.trim() === \
                      document.querySelector(`.menu a[href='${address}']`)?.closest('ul').previousElementSibling.textContent.trim()";
            assert!(self.wants_place(address, of).await, "{}: no place {address} in the head", self.code);
            self.follow("[data-wanted]").await;
            self.wants_place(address, "link.getAttribute('href') === address").await;
        }
        self.follow("[data-wanted]").await;
    }

    /// Marks a link of the head that is seen; whether there is one.
    async fn wants_place(&self, address: &str, fits: &str) -> bool {
        let script = format!(
            "const address = '{address}'; document.querySelectorAll('[data-wanted]').forEach((one) => one.removeAttribute('data-wanted'));
            const found = [...document.querySelectorAll('header a')].find((link) => link.offsetParent && ({fits}));
            found?.setAttribute('data-wanted', ''); return Boolean(found)"
        );
        self.browser.script(&script).await == serde_json::Value::Bool(true)
    }

    pub(super) async fn fill(&self, name: &str, text: &str) {
        let field = format!("form.entry [name='{name}']");
        if ["date", "datetime-local"].contains(&self.kind(&field).await.as_str()) {
            self.browser.script(&format!("document.querySelector(\"{field}\").value = '{text}'")).await;
        } else {
            self.browser.fill(&field, text).await;
        }
        self.tally.add(Counts { typed: 1, ..Counts::default() });
    }

    async fn kind(&self, field: &str) -> String {
        let found = self.browser.script(&format!("return document.querySelector(\"{field}\")?.type ?? ''")).await;
        found.as_str().unwrap_or_default().to_owned()
    }

    pub(super) async fn type_in(&self, entries: &[(&str, &str)]) {
        for (name, text) in entries {
            self.fill(name, text).await;
        }
    }

    /// Takes one of few, or one of a list.
    pub(super) async fn take(&self, name: &str, value: &str) {
        let tile = format!("label.tile:has(input[name='{name}'][value='{value}'])");
        if self.has(&tile).await {
            self.browser.click(&tile).await;
        } else {
            self.browser.choose(name, value).await;
        }
        self.tally.add(Counts { chosen: 1, ..Counts::default() });
    }

    /// Ticks those of several with these words, or all of them.
    pub(super) async fn tick(&self, name: &str, words: &[&str]) -> usize {
        let script = format!(
            "return [...document.querySelectorAll(\"label.tile:has(input[name='{name}'])\")].map((tile) => [
                tile.querySelector('span').textContent.trim(), tile.querySelector('input').value])"
        );
        let found = self.browser.script(&script).await;
        let mut ticked = 0;
        for tile in found.as_array().unwrap() {
            if words.is_empty() || words.contains(&tile[0].as_str().unwrap()) {
                self.take(name, tile[1].as_str().unwrap()).await;
                ticked += 1;
            }
        }
        assert!(ticked >= words.len().max(1), "{words:?} of {found}");
        ticked
    }

    /// Ticks a box that stands by itself.
    pub(super) async fn check(&self, selector: &str) {
        self.browser.click(&format!("form.entry input[type='checkbox']{selector}")).await;
        self.tally.add(Counts { chosen: 1, ..Counts::default() });
    }

    /// Opens what is behind these words.
    pub(super) async fn unfold(&self, words: &str) {
        let script = format!(
            "for (const summary of document.querySelectorAll('form.entry summary')) {{
                if (summary.textContent.trim() === '{words}') summary.setAttribute('data-wanted', ''); }}"
        );
        self.browser.script(&script).await;
        self.browser.click("summary[data-wanted]").await;
        self.tally.add(Counts { chosen: 1, ..Counts::default() });
    }

    pub(super) async fn file(&self, path: &std::path::Path) {
        self.browser.choose_file("[name=_table]", path).await;
        self.tally.add(Counts { chosen: 1, ..Counts::default() });
    }

    pub(super) async fn value(&self, name: &str) -> String {
        self.browser.value(&format!("form.entry [name='{name}']")).await
    }

    /// What the form proposes, so that nobody types it.
    pub(super) async fn proposes(&self, names: &[&str]) {
        for name in names {
            assert_ne!(self.value(name).await, "", "{}: nothing is proposed for {name}", self.path().await);
        }
    }

    pub(super) async fn texts(&self, selector: &str) -> Vec<String> {
        let script =
            format!("return [...document.querySelectorAll(\"{selector}\")].map((one) => one.textContent.trim())");
        let found = self.browser.script(&script).await;
        found.as_array().unwrap().iter().map(|one| one.as_str().unwrap_or_default().to_owned()).collect()
    }

    /// Sends the form; a refusal is counted, and told.
    pub(super) async fn send(&self, words: &str) {
        // The answer is another page, or another content of this one.
        self.browser
            .script("document.querySelector('main').dataset.asked = ''; document.getElementById('trouble')?.remove()")
            .await;
        self.browser.click("form.entry button.main").await;
        let refused = until(&format!("{}: '{words}' or a refusal", self.code), async || {
            let script =
                "const main = document.readyState === 'complete' && document.querySelector('main:not([data-asked])');
                return [main ? document.body.innerText : '', document.getElementById('trouble')?.innerText ?? '']";
            let seen = self.browser.script(script).await;
            let trouble = seen[1].as_str().unwrap_or_default().to_owned();
            match seen[0].as_str().unwrap_or_default().contains(words) {
                _ if !trouble.is_empty() => Some(Some(trouble)),
                true => Some(None),
                false => None,
            }
        })
        .await;
        let refused = match refused {
            None => 0,
            Some(trouble) => {
                println!("refused at {}: {trouble}", self.path().await);
                1
            }
        };
        self.tally.add(Counts { pages: 1, forms: 1 - refused, refused, ..Counts::default() });
        assert_eq!(refused, 0, "{} was refused", self.code);
    }

    /// Sends the form and goes on.
    pub(super) async fn save(&self) {
        self.send("Saved.").await;
    }

    pub(super) async fn sign(&self) {
        self.fill("password", self.password).await;
        self.save().await;
    }
}
