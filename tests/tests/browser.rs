//! The pages in a real browser: each person's day with a scanner that types, forms sent twice, the server lost and back,
//! the back button, printing; accessibility and HTML by independent checkers; pictures of every page.
//!
//! Needs `chromedriver` and `chromium` on the path and, for the checkers, the folder of npm packages that `tests/run`
//! names in `PACKLOFT_NPM` (axe-core, html-validate). What is missing is said and skipped.

use std::process::Command;
use std::time::Duration;

use anyhow::Context as _;
use fantoccini::actions::{InputSource as _, KeyAction, KeyActions};
use fantoccini::{Client, Locator};
use packloft_client::v1;
use packloft_tests::Running;
use packloft_tests::pages::PAGES;
use tokio::sync::Mutex;

mod driver;

use driver::Driver;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
/// One browser at a time: the machine may have two cores.
static ONE: Mutex<()> = Mutex::const_new(());

/// What is seen before a lift.
const SEEN: [&str; 4] = ["loops_on_untwisted", "bag_sound_dry", "nobody_below", "gate_shut"];

/// A person at a tablet.
struct Tablet {
    client: Client,
    url: String,
}

impl Tablet {
    async fn open(driver: &Driver, running: &Running, person: &str) -> anyhow::Result<Tablet> {
        let client = driver.browser(false).await?;
        let tablet = Tablet { client, url: running.server.url() };
        tablet.size(800, 1280).await?;
        tablet.go("/who").await?;
        // A badge is scanned: its code and Enter.
        tablet.css("main input[name=person_code]").await?.send_keys(&format!("{person}\u{e007}")).await?;
        tablet.wait_for(&format!("{person} "), "a.who").await?;
        Ok(tablet)
    }

    /// Sets the tablet's own language or colours, and waits until the answer has come: a page that is asked for before
    /// that is overtaken by it on a busy machine. What was set may be what stood there already, so the page is marked.
    async fn set(&self, field: &str, value: &str) -> anyhow::Result<()> {
        self.go("/who").await?;
        self.fill("form[action='/do/settings']", &[(field, value)]).await?;
        self.client.execute("document.documentElement.classList.add('left')", Vec::new()).await?;
        self.css("form[action='/do/settings'] button").await?.click().await?;
        self.css("html:not(.left) form[action='/do/settings']").await?;
        Ok(())
    }

    async fn size(&self, width: u32, height: u32) -> anyhow::Result<()> {
        // The frame of a headless window takes some of its height.
        Ok(self.client.set_window_size(width, height + 150).await?)
    }

    async fn go(&self, path: &str) -> anyhow::Result<()> {
        Ok(self.client.goto(&format!("{}{path}", self.url)).await?)
    }

    async fn css(&self, selector: &str) -> anyhow::Result<fantoccini::elements::Element> {
        let wait = self.client.wait().at_most(Duration::from_secs(15));
        wait.for_element(Locator::Css(selector)).await.map_err(|fault| anyhow::anyhow!("{selector}: {fault}"))
    }

    async fn link(&self, text: &str) -> anyhow::Result<fantoccini::elements::Element> {
        let path = format!("//*[self::a or self::button or self::summary][contains(normalize-space(.), \"{text}\")]");
        let wait = self.client.wait().at_most(Duration::from_secs(15));
        wait.for_element(Locator::XPath(&path)).await.map_err(|fault| anyhow::anyhow!("{text}: {fault}"))
    }

    /// Names of the boxes of what was seen that are ticked.
    async fn seen(&self) -> anyhow::Result<Vec<String>> {
        let script = "return [...document.querySelectorAll('[data-confirms]:checked')].map((box) => box.name)";
        Ok(serde_json::from_value(self.client.execute(script, Vec::new()).await?)?)
    }

    /// Codes of gear that is chosen, from the hook down, as the form has them.
    async fn gear(&self) -> anyhow::Result<Vec<String>> {
        let script = "return [...document.querySelectorAll('input[name=gear]:checked')].map((box) => box.value)";
        Ok(serde_json::from_value(self.client.execute(script, Vec::new()).await?)?)
    }

    async fn tick_seen(&self) -> anyhow::Result<()> {
        for seen in SEEN {
            self.css(&format!("form[data-asks] input[name={seen}]")).await?.click().await?;
        }
        Ok(())
    }

    /// Ticks what was seen for this lift and asks.
    async fn confirm_and_ask(&self) -> anyhow::Result<()> {
        self.tick_seen().await?;
        Ok(self.link("Ask: may this go?").await?.click().await?)
    }

    /// Opens a folded form by its name and gives its selector.
    async fn fold(&self, action: &str) -> anyhow::Result<String> {
        let form = format!("form.action[data-keep=\"{action}\"]");
        let script = format!("document.querySelector('{form}').closest('details').open = true");
        self.css(&form).await?;
        self.client.execute(&script, Vec::new()).await?;
        Ok(form)
    }

    async fn fill(&self, form: &str, fields: &[(&str, &str)]) -> anyhow::Result<()> {
        for (name, value) in fields {
            let field = self.css(&format!("{form} [name=\"{name}\"]")).await?;
            if field.tag_name().await? == "select" {
                field.select_by_value(value).await?;
            } else {
                field.clear().await?;
                field.send_keys(value).await?;
            }
        }
        Ok(())
    }

    async fn send(&self, form: &str) -> anyhow::Result<()> {
        Ok(self.css(&format!("{form} button.main")).await?.click().await?)
    }

    /// Waits until an element says something.
    async fn wait_for(&self, words: &str, selector: &str) -> anyhow::Result<()> {
        let mut last = String::new();
        for _ in 0..150 {
            // The page may be exchanged between finding and reading.
            if let Ok(element) = self.client.find(Locator::Css(selector)).await
                && let Ok(text) = element.text().await
            {
                if text.contains(words) {
                    return Ok(());
                }
                last = text;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        anyhow::bail!("{selector} never said {words:?}; last: {last}")
    }

    /// Fast keys without choosing a field first, as a scanner types, and Enter.
    async fn keys(&self, letters: impl Iterator<Item = char>) -> anyhow::Result<()> {
        let mut keys = KeyActions::new("scanner".to_owned());
        for letter in letters {
            keys = keys.then(KeyAction::Down { value: letter }).then(KeyAction::Up { value: letter });
        }
        Ok(self.client.perform_actions(keys).await?)
    }

    /// Types as a scanner does. On a busy machine the driver may lose a letter between two pages, which a scanner does not:
    /// outside of forms the field is looked at before Enter.
    async fn scan(&self, text: &str) -> anyhow::Result<()> {
        let within = "return !!document.activeElement && !!document.activeElement.closest('form.action[data-keep]')";
        if self.client.execute(within, Vec::new()).await?.as_bool() == Some(true) {
            return self.keys(text.chars().chain(['\u{e007}'])).await;
        }
        for _ in 0..5 {
            self.keys(text.chars()).await?;
            let value = self.client.execute("return document.activeElement.value || ''", Vec::new()).await?;
            if value.as_str() == Some(text) {
                break;
            }
            self.client
                .execute("if (document.activeElement.value) document.activeElement.value = ''", Vec::new())
                .await?;
        }
        self.keys(['\u{e007}'].into_iter()).await
    }

    async fn close(self) -> anyhow::Result<()> {
        Ok(self.client.close().await?)
    }
}

async fn newest(running: &Running) -> anyhow::Result<i64> {
    Ok(running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_supervisor_lifts_tips_and_counts() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let running = Running::with_records(EXECUTABLE).await?;
    let tablet = Tablet::open(&driver, &running, "p-17").await?;
    // Two bags on one hook: refused, in large letters, with the caution.
    tablet.go("/hoist").await?;
    for bag in ["HB-424", "HB-425"] {
        tablet.css(&format!("input[name=bag][value={bag}]")).await?.click().await?;
    }
    for gear in ["SH1", "SP1"] {
        tablet.css(&format!("input[name=gear][value={gear}]")).await?.click().await?;
    }
    tablet.fill("main form.action", &[("hoist", "H1"), ("platform", "P1"), ("slinger", "p-22")]).await?;
    tablet.confirm_and_ask().await?;
    tablet.wait_for("DO NOT LIFT", "#verdict h2").await?;
    tablet.wait_for("Nobody under the load", "#verdict").await?;
    // One of them: no objection, recorded as done.
    tablet.css("form[data-asks] input[value=HB-425]").await?.click().await?;
    tablet.confirm_and_ask().await?;
    tablet.wait_for("No objection in the records", "#verdict h2").await?;
    tablet.send("form[data-keep=lift]").await?;
    tablet.wait_for("HB-424 lifted up to platform P1", ".notice.good").await?;
    // Tipped by scan, with the counter as it was read.
    tablet.go("/line").await?;
    let tip = tablet.fold("tip").await?;
    tablet.fill(&tip, &[("filled", "8300"), ("bag_tag", "")]).await?;
    // A scan ends its field; it does not send a form that has more of them.
    tablet.css(&format!("{tip} [name=bag_tag]")).await?.click().await?;
    tablet.scan("HB-423").await?;
    tablet.send(&tip).await?;
    tablet.wait_for("bag HB-423 tipped into feed F1", ".notice.good").await?;
    tablet.wait_for("HB-423", "#line").await?;
    // A fault stands beside its field, and what was typed is still there.
    let count = tablet.fold("count").await?;
    tablet.fill(&count, &[("filled", "12"), ("accepted", "11")]).await?;
    tablet.send(&count).await?;
    tablet.wait_for("Not recorded", "main .notice.bad").await?;
    let kept = tablet.css(&format!("{count} [name=filled]")).await?.prop("value").await?;
    assert_eq!(kept.as_deref(), Some("12"));
    tablet.fill(&count, &[("filled", "8360"), ("accepted", "8303")]).await?;
    tablet.send(&count).await?;
    tablet.wait_for("machine M1 counted: filled 8360", ".notice.good").await?;
    tablet.close().await
}

/// What was seen belongs to one lift: any change takes it back, and no address brings it. Gear is brought into its order by touch.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_seen_belongs_to_one_lift() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let running = Running::with_records(EXECUTABLE).await?;
    let tablet = Tablet::open(&driver, &running, "p-17").await?;
    let none: [&str; 0] = [];
    let all = SEEN.map(|name| format!("{name}=1")).join("&");
    tablet.go(&format!("{}&{all}", ask_for("HB-424"))).await?;
    tablet.wait_for("not confirmed: gate shut", "#verdict").await?;
    assert_eq!(tablet.seen().await?, none, "an address ticks nothing");
    // Each change of what hangs, from what and which way takes back what was seen.
    let form = "form[data-asks]";
    for change in
        ["[name=bag][value=HB-425]", "[name=gear][value=SP1]", "[name=bag_scan]", "[name=hoist]", "[name=direction]"]
    {
        tablet.tick_seen().await?;
        assert_eq!(tablet.seen().await?, SEEN, "before {change}");
        match change {
            "[name=hoist]" => tablet.fill(form, &[("hoist", "H2")]).await?,
            "[name=direction]" => tablet.fill(form, &[("direction", "down")]).await?,
            "[name=bag_scan]" => tablet.css(&format!("{form} {change}")).await?.send_keys("HB").await?,
            box_of => tablet.css(&format!("{form} {box_of}")).await?.click().await?,
        }
        assert_eq!(tablet.seen().await?, none, "after {change}");
    }
    // Asked for one lift, answered, recorded with what was seen; the form begins again without it.
    tablet.go(&ask_for("HB-424")).await?;
    tablet.confirm_and_ask().await?;
    tablet.wait_for("No objection in the records", "#verdict h2").await?;
    tablet.wait_for("Confirmed for this lift: 4 of 4", "#verdict").await?;
    assert_eq!(tablet.seen().await?, none, "the next lift is looked at anew");
    let address = tablet.client.current_url().await?;
    assert!(SEEN.iter().all(|name| !address.as_str().contains(name)), "{address}");
    let from = tablet.css("form[data-keep=lift] [name=from]").await?.prop("value").await?.unwrap_or_default();
    assert!(SEEN.iter().all(|name| !from.contains(name)), "{from}");
    // The order of gear: moved by touch, kept by the answer, and what was seen is taken back.
    assert_eq!(tablet.gear().await?, ["SH1", "SP1"]);
    tablet.tick_seen().await?;
    tablet.css("button[name=move][value='up:SP1']").await?.click().await?;
    tablet.wait_for("SP1", "ol.gear li:first-child").await?;
    assert_eq!(tablet.gear().await?, ["SP1", "SH1"]);
    assert_eq!(tablet.seen().await?, none);
    tablet.confirm_and_ask().await?;
    tablet.wait_for("SP1 + SH1", "#verdict").await?;
    tablet.css("button[name=move][value='down:SP1']").await?.click().await?;
    tablet.wait_for("SH1", "ol.gear li:first-child").await?;
    tablet.confirm_and_ask().await?;
    tablet.wait_for("SH1 + SP1", "#verdict").await?;
    tablet.send("form[data-keep=lift]").await?;
    tablet.wait_for("HB-424 lifted up to platform P1", ".notice.good").await?;
    tablet.wait_for("SH1 > SP1", "#lifts").await?;
    let event = newest(&running).await?;
    let request = v1::ListDeviationsRequest { page_size: 1, ..v1::ListDeviationsRequest::default() };
    let deviations = running.connection.quality.clone().list_deviations(request).await?.into_inner().deviations;
    assert!(deviations.iter().all(|deviation| deviation.event_sequence != event), "confirmed, so without a deviation");
    tablet.close().await
}

/// A hoist is checked before use, something happens to it, it may not be used, is examined, and its life is looked at.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_hoist_is_checked_shocked_and_examined() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let running = Running::with_records(EXECUTABLE).await?;
    let tablet = Tablet::open(&driver, &running, "p-17").await?;
    tablet.go("/gear").await?;
    let check = tablet.fold("pre_use_check").await?;
    // Neither passed nor said what was found: refused, with what was chosen still there.
    tablet.fill(&check, &[("item", "hoist:H1")]).await?;
    tablet.send(&check).await?;
    tablet.wait_for("must say what was found", "main .notice.bad").await?;
    let kept = tablet.css(&format!("{check} [name=item]")).await?.prop("value").await?;
    assert_eq!(kept.as_deref(), Some("hoist:H1"));
    tablet.css(&format!("{check} [name=passed]")).await?.click().await?;
    tablet.send(&check).await?;
    tablet.wait_for("pre-use check of H1 passed", ".notice.good").await?;
    tablet.go("/gear/hoist/H1").await?;
    tablet.wait_for("No objection in the records", "#verdict h2").await?;
    let incident = tablet.fold("incident").await?;
    tablet.fill(&incident, &[("kind", "3"), ("text", "pulled from the side at the hatch")]).await?;
    tablet.send(&incident).await?;
    tablet.wait_for("DO NOT USE", "#verdict h2").await?;
    tablet.wait_for("pulled from the side at the hatch", "#verdict").await?;
    let lift = "bag=HB-424&gear=SH1&gear=SP1&hoist=H1&direction=up&platform=P1&driver=p-17&slinger=p-22";
    tablet.go(&format!("/hoist?{lift}&ask=1")).await?;
    tablet.wait_for("DO NOT LIFT", "#verdict h2").await?;
    tablet.wait_for("out of service until it is examined", "#verdict").await?;
    tablet.go("/gear/hoist/H1").await?;
    let report = tablet.fold("examination").await?;
    let now = packloft_client::moment::now();
    let today = packloft_domain::time::Zone::utc().date(now.seconds * 1_000_000).to_string();
    tablet
        .fill(&report, &[("report_code", "E-990"), ("examiner", "inspection body"), ("kind", "after an incident")])
        .await?;
    // A date field is set as the picker sets it.
    let set = "document.querySelector(arguments[0]).value = arguments[1];";
    for (name, value) in [("examined_date", today.as_str()), ("next_date", "2031-01-31")] {
        let field = format!("{report} [name={name}]");
        tablet.client.execute(set, vec![field.into(), value.into()]).await?;
    }
    tablet.send(&report).await?;
    tablet.wait_for("No objection in the records", "#verdict h2").await?;
    tablet.wait_for("E-990", "main").await?;
    tablet.go("/gear/hoist/H2/design-life?bags=2&what_if=1").await?;
    tablet.wait_for("of its design life is used", "#verdict h2").await?;
    tablet.wait_for("DO NOT LIFT", "main .notice.bad").await?;
    tablet.close().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_clerk_scans_loads_and_dispatches() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let running = Running::with_records(EXECUTABLE).await?;
    let tablet = Tablet::open(&driver, &running, "p-52").await?;
    // Any code from anywhere: the scanner types while no field is chosen.
    tablet.go("/store").await?;
    tablet.scan("]C100095212340000000167").await?;
    tablet.wait_for("00167", "h1").await?;
    let moving = tablet.fold("pallet_move").await?;
    tablet.fill(&moving, &[("location_code", "BAY")]).await?;
    tablet.send(&moving).await?;
    tablet.wait_for("moved to location BAY", ".notice.good").await?;
    // On the page of a load every scan loads, or says why not.
    tablet.go("/loads/V-1007-3").await?;
    tablet.scan("095212340000000099").await?;
    tablet.wait_for("is on hold H40", "main .notice.bad").await?;
    tablet.scan("095212340000000167").await?;
    tablet.wait_for("00167", "#rows-C-1007-4").await?;
    tablet.scan("095212340000000167").await?;
    tablet.wait_for("Not recorded", "main .notice.bad").await?;
    tablet.scan("6291041500213").await?;
    tablet.wait_for("is a product number", "main .notice.bad").await?;
    let weighbridge = tablet.fold("weighbridge").await?;
    tablet.fill(&weighbridge, &[("pass", "1"), ("gross_mass_mg", "7 940,5")]).await?;
    tablet.send(&weighbridge).await?;
    tablet.wait_for("weighed 7940.5 kg", ".notice.good").await?;
    let leaving = tablet.fold("dispatch_load").await?;
    tablet.fill(&leaving, &[("seal_code", "004418")]).await?;
    tablet.send(&leaving).await?;
    tablet.wait_for("tick it when the pallets on the vehicle have been counted", "main .notice.bad").await?;
    tablet.css(&format!("{leaving} [name=checked]")).await?.click().await?;
    tablet.send(&leaving).await?;
    tablet.wait_for("Papers as issued", "main").await?;
    let load = v1::GetVehicleLoadRequest { load_code: "V-1007-3".into(), min_sequence: 0 };
    let load = running.connection.dispatch.clone().get_vehicle_load(load).await?.into_inner().load.unwrap_or_default();
    assert_eq!((load.papers.len(), load.seal_code.as_str()), (2, "004418"));
    tablet.close().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn quality_goes_from_a_complaint_to_every_consignee() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let running = Running::with_records(EXECUTABLE).await?;
    let tablet = Tablet::open(&driver, &running, "p-40").await?;
    let mut clicks = 0;
    tablet.link("Trace").await?.click().await?;
    clicks += 1;
    tablet.css("#q").await?.send_keys("HF279A 2026-10-06 09:20\u{e007}").await?;
    tablet.wait_for("7421\u{2013}7474", "main").await?;
    tablet.wait_for("KETTLE-ROW", "svg.trace").await?;
    // The lot in the picture leads to everybody who has some of it.
    let lot = "//*[local-name()='svg']//*[local-name()='a'][contains(., 'QE-2232')]";
    tablet.client.find(Locator::XPath(lot)).await?.click().await?;
    clicks += 1;
    tablet.wait_for("Consignees (1)", "#consignees").await?;
    tablet.wait_for("goods-in, call 4", "main").await?;
    println!("from the pack code of a complaint to the list of consignees: one scan and {clicks} clicks");
    assert!(clicks <= 3);
    // A lot is released with a reason; a hold is ended.
    tablet.go("/lots/QE-2240").await?;
    let release = tablet.fold("release_lot").await?;
    tablet.fill(&release, &[("reason", "results within the plant's limits")]).await?;
    tablet.send(&release).await?;
    tablet.wait_for("lot QE-2240 released", ".notice.good").await?;
    tablet.go("/holds").await?;
    let end = tablet.fold("end-H40").await?;
    tablet.fill(&end, &[("reason", "liner looked at, product sound")]).await?;
    tablet.send(&end).await?;
    tablet.wait_for("Recorded", ".notice.good").await?;
    // Printed: a paper of some pages.
    tablet.go("/trace?q=QE-2232").await?;
    let settings = fantoccini::wd::PrintConfigurationBuilder::default();
    let settings = settings.build().map_err(|fault| anyhow::anyhow!("{fault:?}"))?;
    let paper = tablet.client.print(settings).await?;
    assert!(paper.starts_with(b"%PDF") && paper.len() > 10_000, "{} bytes", paper.len());
    tablet.close().await
}

/// Sends the server a signal by its number.
fn signal(running: &Running, name: &str) -> anyhow::Result<()> {
    let done = Command::new("kill").args([name, &running.server.id().to_string()]).status()?;
    anyhow::ensure!(done.success(), "kill {name}: {done}");
    Ok(())
}

/// Address of a question about the lift of a bag.
fn ask_for(bag: &str) -> String {
    let who = "hoist=H1&direction=up&platform=P1&driver=p-17&slinger=p-22";
    format!("/hoist?bag={bag}&gear=SH1&gear=SP1&{who}&ask=1")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_recorded_is_what_stands_on_the_screen() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let running = Running::with_records(EXECUTABLE).await?;
    let tablet = Tablet::open(&driver, &running, "p-31").await?;
    // What was typed for one lift does not turn the next one into it.
    tablet.go(&ask_for("HB-424")).await?;
    tablet.confirm_and_ask().await?;
    tablet.wait_for("No objection in the records", "#verdict h2").await?;
    tablet.fill("form[data-keep=lift]", &[("load_cell_mass_mg", "971")]).await?;
    tablet.go(&ask_for("HB-425")).await?;
    tablet.wait_for("HB-425", "#verdict").await?;
    tablet.confirm_and_ask().await?;
    tablet.wait_for("No objection in the records", "#verdict h2").await?;
    let cell = tablet.css("form[data-keep=lift] [name=load_cell_mass_mg]").await?.prop("value").await?;
    assert_eq!(cell.as_deref(), Some(""));
    tablet.send("form[data-keep=lift]").await?;
    tablet.wait_for("bags HB-425 lifted", ".notice.good").await?;
    // A scan on the page asks for that bag.
    tablet.go(&ask_for("HB-424").replace("bag=HB-424&", "").replace("&ask=1", "")).await?;
    tablet.scan("HB-424").await?;
    tablet.wait_for("HB-424", "#verdict").await?;
    tablet.wait_for("not confirmed: nobody below", "#verdict").await?;
    tablet.confirm_and_ask().await?;
    tablet.wait_for("No objection in the records", "#verdict h2").await?;
    // An answer that is no longer so says it, and its button waits.
    let hold = v1::PlaceHoldRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(packloft_client::moment::now()),
        actor_code: "p-40".into(),
        bag_tag: "HB-424".into(),
        reason: "liner torn".into(),
        hazard: v1::HazardKind::Spreading.into(),
        ..v1::PlaceHoldRequest::default()
    };
    running.connection.quality.clone().place_hold(hold).await?;
    tablet.wait_for("This answer is old", "#verdict").await?;
    tablet.css("form[data-keep=lift] button:disabled").await?;
    // A server that hangs is noticed as well as one that is gone, and so is its coming back.
    tablet.go("/line").await?;
    signal(&running, "-STOP")?;
    tablet.wait_for("Connection lost", "[data-lost]").await?;
    signal(&running, "-CONT")?;
    let mut hidden = false;
    for _ in 0..150 {
        hidden = !tablet.client.find(Locator::Css("[data-lost]")).await?.is_displayed().await?;
        if hidden {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert!(hidden, "the notice goes when the server is back");
    tablet.close().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_lost_or_doubled_when_the_server_goes() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let mut running = Running::with_records(EXECUTABLE).await?;
    let tablet = Tablet::open(&driver, &running, "p-31").await?;
    tablet.go("/line").await?;
    let before = newest(&running).await?;
    let level = tablet.fold("level").await?;
    tablet.fill(&level, &[("content_mass_mg", "650,5"), ("uncertainty_mass_mg", "40")]).await?;
    running.server.kill();
    tablet.send(&level).await?;
    tablet.wait_for("Connection lost", "[data-lost]").await?;
    let kept = tablet.css(&format!("{level} [name=content_mass_mg]")).await?.prop("value").await?;
    assert_eq!(kept.as_deref(), Some("650,5"));
    running.server.restart()?;
    running.connection = packloft_client::Connection::open(&running.server.url()).await?;
    // Sent again, twice quickly: it counts once.
    let send = format!("const b = document.querySelector('{level} button.main'); b.click(); b.click();");
    tablet.client.execute(&send, Vec::new()).await?;
    tablet.wait_for("feed F1 holds 650.5 kg", ".notice.good").await?;
    assert_eq!(newest(&running).await?, before + 1);
    // Back to the form, and sent once more as it stands: the same action.
    tablet.client.back().await?;
    tablet.css(&level).await?;
    assert_eq!(newest(&running).await?, before + 1);
    // What others record shows without being asked for.
    tablet.go("/").await?;
    tablet.wait_for("1\u{202f}600", "#now").await?;
    let count = v1::RecordCountRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(packloft_examples::scenario::at(28 * 3_600 + 3_600)),
        actor_code: "p-17".into(),
        machine_code: "M1".into(),
        counters: vec![v1::CounterReading {
            place: v1::CounterPlace::Filled.into(),
            value: 9_000,
            ..Default::default()
        }],
        ..v1::RecordCountRequest::default()
    };
    running.connection.run.clone().record_count(count).await?;
    tablet.wait_for("2\u{202f}373", "#now").await?;
    tablet.close().await
}

/// Writes down what the accessibility engine found, one a line.
const AXE: &str = "const done = arguments[arguments.length - 1]; \
    axe.run(document, { runOnly: ['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22aa','best-practice'] }).then((found) => \
    done(found.violations.map((v) => v.impact + ' ' + v.id + ': ' + v.nodes.map((n) => n.html.slice(0, 120)).join(' | '))));";

/// What is too small for gloves: fields and buttons below 44 pixels.
const SMALL: &str = "return [...document.querySelectorAll('button, .button, select, textarea, summary, .tick, .ways a, input:not([type=hidden]):not([type=checkbox])')] \
    .filter((e) => { const b = e.getBoundingClientRect(); return b.width > 0 && b.height < 43.5; }) \
    .map((e) => e.outerHTML.slice(0, 100));";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_page_passes_the_checkers_and_is_pictured() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let packages = std::env::var("PACKLOFT_NPM").ok().map(std::path::PathBuf::from);
    let axe = packages.as_ref().and_then(|p| std::fs::read_to_string(p.join("axe-core/axe.min.js")).ok());
    if axe.is_none() {
        println!("SKIPPED: no axe-core in PACKLOFT_NPM (npm packages axe-core, html-validate)");
    }
    let running = Running::with_records(EXECUTABLE).await?;
    let pictures = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/pictures");
    let saved = tempfile::tempdir()?;
    std::fs::create_dir_all(&pictures)?;
    let mut found = Vec::new();
    let tablet = Tablet::open(&driver, &running, "p-40").await?;
    for look in ["light", "dark"] {
        tablet.set("look", look).await?;
        tablet.css(&format!("html[data-look={look}]")).await?;
        for (name, path) in PAGES {
            for (width, height) in [(800, 1280), (1280, 800), (390, 844)] {
                if look == "dark" && width != 800 {
                    continue;
                }
                tablet.size(width, height).await?;
                tablet.go(path).await?;
                let wide = "return document.documentElement.scrollWidth - innerWidth";
                let over = tablet.client.execute(wide, Vec::new()).await?.as_i64().unwrap_or(0);
                if over > 0 {
                    found.push(format!("{name} at {width}: {over} px wider than the screen"));
                }
                let picture = tablet.client.screenshot().await?;
                std::fs::write(pictures.join(format!("{name}-{look}-{width}.png")), picture)?;
                let small = tablet.client.execute(SMALL, Vec::new()).await?;
                for text in small.as_array().into_iter().flatten() {
                    found.push(format!("{name} at {width}: too small for gloves: {text}"));
                }
            }
            if let Some(axe) = &axe {
                // Forms are looked at open.
                let open = "document.querySelectorAll('details').forEach((d) => { d.open = true; })";
                tablet.client.execute(open, Vec::new()).await?;
                tablet.client.execute(axe, Vec::new()).await?;
                let rows = tablet.client.execute_async(AXE, Vec::new()).await?;
                found.extend(rows.as_array().into_iter().flatten().map(|row| format!("{name} {look}: {row}")));
            }
            std::fs::write(saved.path().join(format!("{name}.html")), tablet.client.source().await?)?;
        }
    }
    // The pictures of the README are made anew where a folder for them is named.
    if let Some(folder) = std::env::var_os("PACKLOFT_PICTURES").map(std::path::PathBuf::from) {
        std::fs::create_dir_all(&folder)?;
        tablet.set("look", "light").await?;
        tablet.css("html[data-look=light]").await?;
        for (file, page, width, height) in
            [("trace.png", "trace-lot", 1280, 1480), ("lift.png", "lift-refused", 800, 1200)]
        {
            let path = PAGES.iter().find(|(name, _)| *name == page).context("a page of that name")?.1;
            tablet.size(width, height).await?;
            tablet.go(path).await?;
            std::fs::write(folder.join(file), tablet.client.screenshot().await?)?;
        }
    }
    tablet.close().await?;
    assert!(found.is_empty(), "{found:#?}");
    println!("{} pages, two looks: no finding; pictures in target/pictures", PAGES.len());
    html_is_valid(&running, packages.as_deref())
}

/// The HTML as the server sends it, by an independent checker.
fn html_is_valid(running: &Running, packages: Option<&std::path::Path>) -> anyhow::Result<()> {
    let checker = packages.map(|p| p.join(".bin/html-validate")).filter(|path| path.exists());
    let Some(checker) = checker else {
        println!("SKIPPED: no html-validate in PACKLOFT_NPM");
        return Ok(());
    };
    let folder = tempfile::tempdir()?;
    // The preset of the HTML standard, without rules of style.
    std::fs::write(
        folder.path().join(".htmlvalidate.json"),
        r#"{ "root": true, "extends": ["html-validate:standard"] }"#,
    )?;
    for (name, path) in PAGES {
        let url = format!("{}{path}", running.server.url());
        let page = ureq::get(url).header("cookie", "person=p-40").call()?.body_mut().read_to_string()?;
        std::fs::write(folder.path().join(format!("{name}.html")), page)?;
    }
    let output = Command::new(checker).arg("*.html").current_dir(folder.path()).output()?;
    let text = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{text}");
    println!("{} pages are valid HTML", PAGES.len());
    Ok(())
}

/// A control sample is judged where it is typed, a bad one holds packs, a refused lift is kept, and who takes over reads it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_supervisor_keeps_the_fill_and_hands_over() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let running = Running::with_records(EXECUTABLE).await?;
    let tablet = Tablet::open(&driver, &running, "p-31").await?;
    tablet.go("/line/M1").await?;
    let sample = tablet.fold("sample-CS1").await?;
    tablet.fill(&sample, &[("mass_mg", "752\n751.8"), ("kind", "2")]).await?;
    tablet.send(&sample).await?;
    tablet.wait_for("a control sample here is", &format!("{sample} .wrong")).await?;
    tablet.fill(&sample, &[("mass_mg", "752\n751.8\n753\n751\n752.2")]).await?;
    tablet.send(&sample).await?;
    tablet.wait_for("5 packs, mean 752 g: good", ".notice.good").await?;
    let sample = tablet.fold("sample-CS1").await?;
    tablet.fill(&sample, &[("mass_mg", "750 749 751 748 750"), ("kind", "2")]).await?;
    tablet.send(&sample).await?;
    tablet.wait_for("mean 749.6 g: BAD", "main .notice").await?;
    tablet.wait_for("CHECK NOW", "#line").await?;
    let adjust = tablet.fold("adjustment").await?;
    tablet.fill(&adjust, &[("target_mass_mg", "752"), ("text", "two steps up")]).await?;
    tablet.send(&adjust).await?;
    tablet.wait_for("adjusted to 752 g", ".notice.good").await?;
    tablet.go("/holds").await?;
    tablet.wait_for("control sample at CS1", "main").await?;
    tablet.go(&ask_for("HB-424&bag=HB-425")).await?;
    tablet.wait_for("DO NOT LIFT", "#verdict h2").await?;
    tablet.send("form[data-keep=refuse]").await?;
    tablet.wait_for("REFUSED", ".notice.good").await?;
    tablet.go("/shift").await?;
    let note = tablet.fold("remark").await?;
    tablet.fill(&note, &[("text", "sample bad, fill two steps up")]).await?;
    tablet.send(&note).await?;
    tablet.wait_for("handover: sample bad", ".notice.good").await?;
    tablet.go("/shift/M1").await?;
    tablet.wait_for("sample bad, fill two steps up", "#report").await?;
    tablet.wait_for("lifts refused: 1", "#report").await?;
    tablet.close().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lot_rejected_while_it_runs_is_announced_where_nobody_can_overlook_it() -> anyhow::Result<()> {
    let _one = ONE.lock().await;
    let Some(driver) = Driver::start()? else { return Ok(()) };
    let running = Running::with_records(EXECUTABLE).await?;
    let line = v1::GetLineRequest { machine_code: "M1".into(), ..Default::default() };
    let line = running.connection.run.clone().get_line(line).await?.into_inner();
    assert!(line.stopped.is_empty(), "{:?}", line.stopped);
    let bag = line.next.iter().chain(&line.now).next_back().context("a bag in the feed")?.clone();
    let lot = bag.lots.first().context("its lot")?.lot_code.clone();
    let reject = v1::RejectLotRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(packloft_client::moment::now()),
        actor_code: "p-40".into(),
        lot_code: lot.clone(),
        reason: "colour 92 IU".into(),
    };
    running.connection.lot.clone().reject_lot(reject).await?;
    let pictures = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/pictures");
    std::fs::create_dir_all(&pictures)?;
    let tablet = Tablet::open(&driver, &running, "p-31").await?;
    for (language, notice, badge) in [
        ("en", "Feed F1 holds product that may not be used", format!("lot {lot} REJECTED")),
        ("de", "In der Zuführung F1 ist Ware, die nicht verwendet werden darf", format!("Partie {lot} ABGELEHNT")),
    ] {
        tablet.set("language", language).await?;
        tablet.css(&format!("html[lang={language}]")).await?;
        for (name, path, selector, words) in [
            ("line", "/line", "#stopped", notice),
            ("now", "/", "#now", badge.as_str()),
            ("shift", "/shift", "#report", notice),
            ("line-report", "/shift/M1", "#report", notice),
        ] {
            tablet.go(path).await?;
            tablet.wait_for(words, selector).await?;
            tablet.wait_for(&badge, selector).await?;
            std::fs::write(
                pictures.join(format!("rejected-{name}-{language}.png")),
                tablet.client.screenshot().await?,
            )?;
        }
        // The badge stays on the page of a bag that is emptied.
        tablet.go(&format!("/bags/{}", bag.bag_tag)).await?;
        tablet.wait_for(if language == "en" { "on hold" } else { "gesperrt" }, "#bag").await?;
    }
    tablet.close().await
}
