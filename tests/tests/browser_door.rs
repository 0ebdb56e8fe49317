//! A page of another site in a real browser: on another port of the machine the server runs on, it tries in every way a
//! page has to place a hold and to send a form. Nothing is recorded, nothing is read, and the server's own pages work in the
//! same browser.
//!
//! Needs `chromedriver` and `chromium` on the path; what is missing is said and skipped. Prints what the browser answered to
//! each try, and leaves a picture in `target/pictures`.

use std::io::{Read as _, Write as _};
use std::net::TcpListener;
use std::time::Duration;

use anyhow::Context as _;
use fantoccini::{Client, Locator};
use packloft_client::v1;
use packloft_tests::Running;
use prost::Message as _;

mod driver;

use driver::Driver;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
/// The method another site would like to call.
const METHOD: &str = "/packloft.v1.QualityService/PlaceHold";

/// Starts a browser; `None` when there is none.
async fn browser() -> anyhow::Result<Option<(Driver, Client)>> {
    let Some(driver) = Driver::start()? else { return Ok(None) };
    let client = driver.browser(false).await?;
    Ok(Some((driver, client)))
}

/// The request another site would like to have recorded, as it stands in gRPC: no piece is packed, five bytes before it.
fn wanted_hold(lot_code: &str) -> Vec<u8> {
    let request = v1::PlaceHoldRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(packloft_client::moment::now()),
        actor_code: "p-40".into(),
        lot_code: lot_code.into(),
        reason: "from elsewhere".into(),
        hazard: v1::HazardKind::Spreading.into(),
        ..v1::PlaceHoldRequest::default()
    };
    let bytes = request.encode_to_vec();
    let length = u32::try_from(bytes.len()).unwrap_or(0).to_be_bytes();
    [&[0], length.as_slice(), bytes.as_slice()].concat()
}

/// The tries of the other site. Each says what became of it: a page may not read an answer, so that it mostly knows no more
/// than that something went wrong; what matters is what is on record afterwards.
const SCRIPT: &str = r#"
const told = {};
const tell = (name, text) => { told[name] = String(text); document.getElementById("told").textContent = JSON.stringify(told, null, 1); };
const attempt = async (name, work) => { try { tell(name, await Promise.race([work(), new Promise((done) => setTimeout(done, 5000, "no answer"))])); } catch (fault) { tell(name, "failed: " + fault); } };
const send = (path, init) => () => fetch(SERVER + path, { method: "POST", credentials: "include", ...init }).then((a) => `${a.type} ${a.status}`);
const form = (path, type, fields) => new Promise((done) => {
  const frame = document.createElement("iframe"), form = document.createElement("form");
  frame.name = "frame" + Math.random();
  document.body.append(frame, form);
  // The empty page it begins with is loaded by now.
  frame.onload = () => { try { done(frame.contentDocument ? "own page" : "a page it cannot read"); } catch (fault) { done("a page it cannot read"); } };
  Object.assign(form, { method: "POST", action: SERVER + path, enctype: type, target: frame.name });
  for (const [name, value] of fields) { const field = document.createElement("input"); Object.assign(field, { type: "hidden", name, value }); form.append(field); }
  form.submit();
});
const loaded = (tag, attributes) => new Promise((done) => {
  const made = document.createElement(tag);
  made.onload = () => done("loaded"); made.onerror = () => done("not loaded");
  Object.assign(made, attributes); document.body.append(made);
});
(async () => {
  for (const mode of ["cors", "no-cors"]) {
    for (const type of ["text/plain", "application/grpc", "application/grpc+proto", "application/x-www-form-urlencoded"]) {
      await attempt(`fetch ${mode} ${type}`, send(METHOD, { mode, headers: { "content-type": type }, body: HOLD() }));
    }
    await attempt(`fetch ${mode} without a type`, send(METHOD, { mode, body: HOLD() }));
    await attempt(`fetch ${mode} of a typed blob`, send(METHOD, { mode, body: new Blob([HOLD()], { type: "application/grpc" }) }));
    await attempt(`fetch ${mode} of a form`, send("/do/hold", { mode, body: new URLSearchParams(FORM()) }));
    await attempt(`fetch ${mode} of a page`, () => fetch(SERVER + "/holds", { mode, credentials: "include" }).then((a) => `${a.type} ${a.status}`));
  }
  await attempt("beacon", () => navigator.sendBeacon(SERVER + METHOD, new Blob([HOLD()], { type: "text/plain" })));
  await attempt("form as text", () => form(METHOD, "text/plain", [["a", "b"]]));
  await attempt("form of ours", () => form("/do/hold", "application/x-www-form-urlencoded", FORM()));
  await attempt("form of ours in parts", () => form("/do/hold", "multipart/form-data", FORM()));
  await attempt("image", () => loaded("img", { src: SERVER + "/assets/icon.svg" }));
  await attempt("script", () => loaded("script", { src: SERVER + "/assets/page.js" }));
  await attempt("frame", () => new Promise((done) => { const f = document.createElement("iframe"); f.onload = () => done("a page it cannot read"); f.src = SERVER + "/holds"; document.body.append(f); }));
  await attempt("live stream", () => new Promise((done) => { const s = new EventSource(SERVER + "/live", { withCredentials: true }); s.onopen = () => done("OPEN"); s.onerror = () => { done("refused"); s.close(); }; }));
  await attempt("web socket", () => new Promise((done) => { const s = new WebSocket(SERVER.replace("http", "ws") + "/live"); s.onopen = () => done("OPEN"); s.onerror = () => done("refused"); }));
  await attempt("web socket to the method", () => new Promise((done) => { const s = new WebSocket(SERVER.replace("http", "ws") + METHOD); s.onopen = () => { s.send(HOLD()); done("OPEN"); }; s.onerror = () => done("refused"); }));
  document.title = "tried";
})();
"#;

/// Serves the other site's page on a port of its own, to as many as ask; gives its address.
fn other_site(server: &str, token: &str, lot_code: &str) -> anyhow::Result<String> {
    let listener = TcpListener::bind("127.0.0.1:0")?;
    let address = listener.local_addr()?.to_string();
    // Each try has an id of its own, or only the first could be recorded.
    let holds: Vec<Vec<u8>> = (0..40).map(|_| wanted_hold(lot_code)).collect();
    let fields = |id: String| {
        let at = [
            ("token", token),
            ("from", "/holds"),
            ("key", "hold"),
            ("lot_code", lot_code),
            ("reason", "from elsewhere"),
            ("hazard", "1"),
        ];
        let mut fields: Vec<(String, String)> = at.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect();
        fields.push(("request_id".into(), id));
        fields
    };
    let forms: Vec<_> = (0..10).map(|_| fields(packloft_client::connection::request_id())).collect();
    let (holds, forms) = (serde_json::to_string(&holds)?, serde_json::to_string(&forms)?);
    let page = format!(
        "<!DOCTYPE html><title>another site</title><h1>Another site</h1><a id=\"link\" href=\"{server}/line\">a link</a><pre id=\"told\"></pre>\
         <script>const SERVER = {server:?}, METHOD = {METHOD:?}, HOLDS = {holds}, FORMS = {forms};\
         const HOLD = () => new Uint8Array(HOLDS.pop()), FORM = () => FORMS.pop();{SCRIPT}</script>"
    );
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { break };
            let page = page.clone();
            // A browser opens connections it may never use.
            std::thread::spawn(move || {
                let mut bytes = [0; 8_192];
                if stream.read(&mut bytes).is_ok_and(|count| count > 0) {
                    let head = "HTTP/1.1 200 OK\r\nContent-Type: text/html; charset=utf-8\r\nConnection: close";
                    let _ = write!(stream, "{head}\r\nContent-Length: {}\r\n\r\n{page}", page.len());
                }
            });
        }
    });
    Ok(format!("http://{address}/"))
}

async fn newest(running: &Running) -> anyhow::Result<i64> {
    Ok(running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence)
}

async fn text_of(client: &Client, selector: &str) -> anyhow::Result<String> {
    let until = std::time::Instant::now() + Duration::from_secs(20);
    loop {
        let wait = client.wait().at_most(Duration::from_secs(20));
        let element = wait.for_element(Locator::Css(selector)).await.with_context(|| selector.to_owned())?;
        match element.text().await {
            // The page went while it was read: what comes next is looked at.
            Err(fault) if fault.is_stale_element_reference() && std::time::Instant::now() < until => {}
            text => return Ok(text?),
        }
    }
}

/// Long: one story: a page of another site tries, a link from there is refused, a form of ours counts.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_page_of_another_site_records_nothing() -> anyhow::Result<()> {
    let Some((_driver, client)) = browser().await? else { return Ok(()) };
    let running = Running::with_everything(EXECUTABLE).await?;
    let url = running.server.url();
    let pictures = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/pictures");
    std::fs::create_dir_all(&pictures)?;
    // Somebody is there in this browser, and our own page works: its forms too.
    client.goto(&format!("{url}/who")).await?;
    client.find(Locator::Css("main input[name=person_code]")).await?.send_keys("p-40\u{e007}").await?;
    for _ in 0..100 {
        if text_of(&client, "a.who").await?.starts_with("p-40") {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert!(text_of(&client, "a.who").await?.starts_with("p-40"));
    let before = newest(&running).await?;
    // The worst case: the other site knows the token of this browser's forms. Cookies go to every port of a machine.
    let token = client.get_named_cookie("form_token").await?.value().to_owned();
    client.goto(&other_site(&url, &token, "QE-2240")?).await?;
    for _ in 0..600 {
        if client.title().await? == "tried" {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let told = text_of(&client, "#told").await?;
    println!("what became of each try:\n{told}");
    std::fs::write(pictures.join("another-site.png"), client.screenshot().await?)?;
    // A beacon does not wait for its answer.
    tokio::time::sleep(Duration::from_secs(1)).await;
    let events = v1::ListEventsRequest { from_sequence: before + 1, page_size: 100, ..Default::default() };
    let events = running.connection.journal.clone().list_events(events).await?.into_inner().events;
    assert!(events.is_empty(), "{events:#?}");
    println!("recorded meanwhile: {} events", events.len());
    assert_eq!(client.title().await?, "tried", "every try came to an end");
    let told: std::collections::BTreeMap<String, String> = serde_json::from_str(&told)?;
    assert_eq!(told.len(), 26, "{told:?}");
    for (attempt, seen) in &told {
        let read = seen.starts_with("cors")
            || seen.starts_with("basic")
            || ["OPEN", "loaded", "own page"].contains(&seen.as_str());
        assert!(!read, "{attempt}: {seen}");
    }
    // A link from there is not followed, in both languages, and says how to come in; from that page it is one touch.
    client.find(Locator::Css("#link")).await?.click().await?;
    let refused = text_of(&client, "main").await?;
    println!("a link from another site:\n{refused}");
    std::fs::write(pictures.join("refused-link.png"), client.screenshot().await?)?;
    assert!(
        refused.contains("Open the address directly") && refused.contains("Öffnen Sie die Adresse direkt"),
        "{refused}"
    );
    client.find(Locator::Css("a.button")).await?.click().await?;
    text_of(&client, "#line").await?;
    // Typed, or scanned by the camera: the page at once; and a form of ours counts.
    client.goto(&format!("{url}/holds")).await?;
    assert!(text_of(&client, "main h1").await?.contains("Holds"));
    assert_eq!(
        client.find(Locator::Css("form[data-keep=hold] [name=token]")).await?.prop("value").await?.as_deref(),
        Some(token.as_str())
    );
    let script = "const form = document.querySelector('form[data-keep=hold]'); form.closest('details').open = true; \
                  form.querySelector('[name=lot_code]').value = 'QE-2240'; form.querySelector('[name=reason]').value = 'from here'; \
                  const hazard = form.querySelector('[name=hazard]'); if (hazard.tagName === 'SELECT') hazard.value = '1'; \
                  form.requestSubmit(form.querySelector('button.main'));";
    client.execute(script, Vec::new()).await?;
    let notice = text_of(&client, ".notice.good").await?;
    println!("a form of ours in the same browser: {notice}");
    assert_eq!(newest(&running).await?, before + 1);
    client.close().await?;
    Ok(())
}
