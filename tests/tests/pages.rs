//! The pages over plain HTTP, as a browser without script sees them: every page answers, forms count once, faults stand
//! beside their fields, nothing typed by somebody becomes markup, and another site cannot send a form.

use packloft_client::v1;
use packloft_tests::Running;
use packloft_tests::pages::{PAGES, attribute, encoded};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
const TOKEN: &str = "6f1f8a4e-1c2b-4f7e-9a51-2d3c4b5a6978";

/// An answer: status, address it leads to, headers as text, body.
struct Answer {
    status: u16,
    location: String,
    headers: String,
    body: String,
}

/// A reader without script, with a person's cookie.
struct Reader {
    base: String,
    agent: ureq::Agent,
    cookie: String,
}

impl Reader {
    fn new(running: &Running, person: &str) -> Reader {
        let config = ureq::Agent::config_builder().http_status_as_error(false).max_redirects(0).build();
        let cookie = format!("person={person}; form_token={TOKEN}; language=en");
        Reader { base: running.server.url(), agent: config.into(), cookie }
    }

    fn answer(mut response: http_response::Response) -> anyhow::Result<Answer> {
        let status = response.status().as_u16();
        let header = |name: &str| response.headers().get(name).and_then(|v| v.to_str().ok()).unwrap_or("").to_owned();
        let location = header("location");
        let headers = format!("{:?}", response.headers());
        let body = response.body_mut().read_to_string()?;
        Ok(Answer { status, location, headers, body })
    }

    fn get(&self, path: &str) -> anyhow::Result<Answer> {
        let request = self.agent.get(format!("{}{path}", self.base)).header("cookie", &self.cookie);
        Reader::answer(request.call()?)
    }

    fn post(&self, action: &str, fields: &[(&str, &str)]) -> anyhow::Result<Answer> {
        let request = self
            .agent
            .post(format!("{}/do/{action}", self.base))
            .header("cookie", &self.cookie)
            .header("content-type", "application/x-www-form-urlencoded");
        Reader::answer(request.send(encoded(fields))?)
    }

    /// Sends a form with what every form carries.
    fn action(&self, action: &str, id: &str, from: &str, fields: &[(&str, &str)]) -> anyhow::Result<Answer> {
        let mut all = vec![("token", TOKEN), ("request_id", id), ("from", from), ("key", action)];
        all.extend_from_slice(fields);
        self.post(action, &all)
    }
}

mod http_response {
    pub type Response = ureq::http::Response<ureq::Body>;
}

fn id() -> String {
    packloft_client::connection::request_id()
}

async fn newest(running: &Running) -> anyhow::Result<i64> {
    let answer = running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?;
    Ok(answer.into_inner().sequence)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_page_answers_whole_and_safe() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let mut reader = Reader::new(&running, "p-40");
    for language in ["en", "de"] {
        reader.cookie = format!("person=p-40; form_token={TOKEN}; language={language}");
        for (name, path) in PAGES {
            let started = std::time::Instant::now();
            let page = reader.get(path)?;
            let took = started.elapsed();
            assert_eq!(page.status, 200, "{name}: {}", page.body);
            assert!(page.headers.contains("default-src 'none'"), "{name}: {}", page.headers);
            assert!(page.body.starts_with("<!DOCTYPE html>") && page.body.ends_with("</html>"), "{name}");
            assert!(page.body.contains(&format!("lang=\"{language}\"")), "{name}");
            // No inline script or style, which the policy would stop anyway.
            for forbidden in ["<script>", " style=\"", "onclick=", "javascript:"] {
                assert!(!page.body.contains(forbidden), "{name}: {forbidden}");
            }
            // Nothing that the file of the language lacks in its own words would look like this.
            assert!(!page.body.contains("{}"), "{name}: a gap was not filled");
            if language == "en" {
                println!("{name}: {} bytes, {:.1} ms", page.body.len(), took.as_secs_f64() * 1e3);
            }
        }
    }
    for (path, status) in [("/no-such-page", 404), ("/bags/NOT-THERE", 404), ("/scan?text=NOT-THERE", 404)] {
        assert_eq!(reader.get(path)?.status, status, "{path}");
    }
    assert_eq!(reader.get("/scan?text=HB-416")?.location, "/bags/HB-416");
    assert_eq!(reader.get("/scan?text=%5DC100095212340000000105")?.location, "/pallets/095212340000000105");
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_form_sent_twice_counts_once() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let reader = Reader::new(&running, "p-31");
    let before = newest(&running).await?;
    let (id, fields) = (id(), [("bag_tag", "HB-423"), ("feed_code", "F1")]);
    // At the same time, and once more later.
    std::thread::scope(|scope| {
        let sent: Vec<_> = (0..4).map(|_| scope.spawn(|| reader.action("tip", &id, "/line", &fields))).collect();
        for answer in sent {
            let answer = answer.join().map_err(|_| anyhow::anyhow!("the reader failed"))??;
            assert_eq!((answer.status, answer.location), (303, format!("/line?done={}", before + 1)));
        }
        anyhow::Ok(())
    })?;
    let again = reader.action("tip", &id, "/line", &fields)?;
    assert_eq!(again.location, format!("/line?done={}", before + 1));
    assert_eq!(newest(&running).await?, before + 1);
    assert!(reader.get(&again.location)?.body.contains("bag HB-423 tipped into feed F1"));
    // The same form with something else in it: refused, what was typed is there, and it has a new id.
    let other = reader.action("tip", &id, "/line", &[("bag_tag", "HB-424"), ("feed_code", "F1")])?;
    assert_eq!(other.status, 409);
    assert!(other.body.contains("This form was recorded before"));
    assert!(other.body.contains("value=\"HB-424\""));
    assert!(!other.body.contains(&id), "a spent id was offered again");
    assert_eq!(newest(&running).await?, before + 1);
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn forms_of_others_and_actions_of_other_roles_are_refused() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let mut reader = Reader::new(&running, "p-17");
    let before = newest(&running).await?;
    let id = id();
    // Without the token, with a wrong one, and without a person.
    for token in ["", "11111111-1111-4111-8111-111111111111"] {
        let fields = [("token", token), ("request_id", &id), ("from", "/line"), ("feed_code", "F1")];
        assert_eq!(reader.post("emptied", &fields)?.status, 403);
    }
    // An operator neither sees nor does what is quality's.
    for path in ["/lots/QE-2240", "/holds"] {
        let page = reader.get(path)?.body;
        for action in ["/do/release_lot", "/do/reject_lot", "/do/end_hold", "/do/close_deviation"] {
            assert!(!page.contains(action), "{path} shows {action} to an operator");
        }
    }
    let release = reader.action("release_lot", &id, "/lots/QE-2240", &[("lot_code", "QE-2240"), ("reason", "x")])?;
    assert_eq!(release.status, 403);
    reader.cookie = format!("form_token={TOKEN}; language=en");
    assert_eq!(reader.action("emptied", &id, "/line", &[("feed_code", "F1")])?.status, 403);
    reader.cookie = format!("person=nobody; form_token={TOKEN}; language=en");
    assert_eq!(reader.action("emptied", &id, "/line", &[("feed_code", "F1")])?.status, 403);
    assert_eq!(newest(&running).await?, before);
    // A form never leads to another site.
    reader.cookie = format!("person=p-40; form_token={TOKEN}; language=en");
    for from in ["//evil.example/", "https://evil.example/", "/\\evil.example"] {
        let answer = reader.action("remark", &self::id(), from, &[("feed_code", "F1"), ("text", "looked at")])?;
        assert_eq!(answer.status, 303, "{}", answer.body);
        assert!(answer.location.starts_with("/?done="), "{}", answer.location);
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn faults_stand_beside_their_fields_and_typing_is_kept() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let reader = Reader::new(&running, "p-17");
    let before = newest(&running).await?;
    let fields = [
        ("bag_tag", "HB-\u{e9}9"),
        ("lot_code", "QE-2240"),
        ("fibc_type_code", "T1"),
        ("scale_code", "S1"),
        ("gross_mass_mg", "9x4"),
        ("tare_mass_mg", "2,4"),
        ("location_code", "A1"),
    ];
    let id = id();
    let page = reader.action("bulk_bag", &id, "/intake", &fields)?;
    assert_eq!(page.status, 422);
    assert!(
        page.body.contains("is no number")
            && page.body.contains("value=\"9x4\"")
            && page.body.contains("value=\"2,4\"")
    );
    // Shape faults of the API come back in the same place; the id may be used again.
    let mut fields = fields;
    fields[4] = ("gross_mass_mg", "946,2");
    let page = reader.action("bulk_bag", &id, "/intake", &fields)?;
    assert_eq!(page.status, 422);
    assert!(page.body.contains("aria-invalid=\"true\"") && page.body.contains(&id));
    fields[0] = ("bag_tag", "HB-499");
    let page = reader.action("bulk_bag", &id, "/intake", &fields)?;
    assert_eq!(page.status, 303, "{}", page.body);
    assert_eq!(newest(&running).await?, before + 1);
    let bag = v1::GetBulkBagRequest { bag_tag: "HB-499".into(), min_sequence: 0 };
    let bag = running.connection.intake.clone().get_bulk_bag(bag).await?.into_inner().bag.unwrap_or_default();
    assert_eq!((bag.gross_mass_mg, bag.tare_mass_mg), (Some(946_200_000), Some(2_400_000)));
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_changed_meanwhile_is_shown_and_not_overwritten() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let (clerk, other) = (Reader::new(&running, "p-52"), Reader::new(&running, "p-31"));
    let path = "/pallets/095212340000000167";
    let page = clerk.get(path)?.body;
    let about = attribute(&page, "name=\"about\"", "value").unwrap_or_default();
    let seen = attribute(&page, "name=\"seen\"", "value").unwrap_or_default();
    let moved = other.action("move", &id(), path, &[("ssccs", "095212340000000167"), ("location_code", "RET")])?;
    assert_eq!(moved.status, 303, "{}", moved.body);
    let own = id();
    let fields = [("about", about.as_str()), ("seen", &seen), ("ssccs", "095212340000000167"), ("location_code", "R1")];
    let refused = clerk.action("move", &own, path, &fields)?;
    assert_eq!(refused.status, 409);
    assert!(
        refused.body.contains("it changed while you were looking") && refused.body.contains("RET"),
        "{}",
        refused.body
    );
    // Seen now: sent again it counts; and the same form once more is the same action.
    let seen = attribute(&refused.body, "name=\"seen\"", "value").unwrap_or_default();
    let fields = [("about", about.as_str()), ("seen", &seen), ("ssccs", "095212340000000167"), ("location_code", "R1")];
    let done = clerk.action("move", &own, path, &fields)?;
    assert_eq!(done.status, 303, "{}", done.body);
    assert_eq!(clerk.action("move", &own, path, &fields)?.location, done.location);
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_typed_becomes_markup_or_a_formula() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let reader = Reader::new(&running, "p-40");
    let nasty = "\"><img src=x onerror=alert(1)><script>alert(1)</script>";
    for (action, from, fields) in [
        ("remark", "/shift", vec![("feed_code", "F1"), ("text", nasty)]),
        ("hold", "/holds", vec![("bag_tag", "HB-423"), ("reason", nasty), ("hazard", "1")]),
        (
            "lab_result",
            "/lots/QE-2240",
            vec![("lot_code", "QE-2240"), ("property", nasty), ("value", "1"), ("unit", nasty), ("method", nasty)],
        ),
    ] {
        assert_eq!(reader.action(action, &id(), from, &fields)?.status, 303, "{action}");
    }
    for path in ["/shift", "/holds", "/lots/QE-2240", "/bags/HB-423", "/intake", "/line", "/trace?q=QE-2240"] {
        let page = reader.get(path)?;
        assert_eq!(page.status, 200, "{path}");
        assert!(!page.body.contains("<img") && !page.body.contains("<script>"), "{path}");
    }
    for path in ["/trace?q=%3Cscript%3E", "/scan?text=%3Cscript%3E", "/bags/%3Cscript%3E", "/line/%22%3E%3Cscript%3E"] {
        let page = reader.get(path)?;
        assert!(!page.body.contains("<script>"), "{path}");
    }
    let csv = reader.get("/trace.csv?q=QE-2232")?;
    assert!(csv.body.starts_with("kind,code,of,share,set,packs,place,consignee,holds"), "{}", csv.body);
    assert!(csv.body.contains("consignee,KETTLE-ROW"));
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn live_pages_hear_of_new_facts_and_let_the_server_stop() -> anyhow::Result<()> {
    use std::io::{BufRead as _, BufReader, Write as _};
    let mut running = Running::start(EXECUTABLE).await?;
    let stream = std::net::TcpStream::connect(&running.server.address)?;
    stream.set_read_timeout(Some(std::time::Duration::from_secs(20)))?;
    (&stream).write_all(format!("GET /live HTTP/1.1\r\nHost: {}\r\n\r\n", running.server.address).as_bytes())?;
    let mut lines = BufReader::new(stream).lines();
    let mut next =
        || lines.by_ref().map_while(Result::ok).find_map(|line| line.strip_prefix("data: ").map(str::to_owned));
    assert_eq!(next().as_deref(), Some("0"));
    let step = packloft_examples::scenario::steps().remove(0);
    step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
    assert_eq!(next().as_deref(), Some("1"));
    // A request to stop ends the live connection, and with it the server.
    let asked = std::process::Command::new("kill").arg(running.server.id().to_string()).status()?;
    assert!(asked.success());
    assert_eq!(next(), None);
    let mut waits = 0;
    while running.server.running() && waits < 400 {
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        waits += 1;
    }
    assert!(!running.server.running(), "the server did not stop");
    Ok(())
}

/// Labels are looked at without a trace and printed with one; a second print asks why.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn labels_open_from_their_pages_and_prints_are_kept() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let reader = Reader::new(&running, "p-52");
    let before = newest(&running).await?;
    let sscc = "095212340000000105";
    for (path, kind) in [
        ("/labels/pallet/095212340000000105.svg", "image/svg+xml"),
        ("/labels/pallet-number/095212340000000105.svg", "image/svg+xml"),
        ("/labels/bag/HB-417.svg", "image/svg+xml"),
        ("/labels/location/R1.svg", "image/svg+xml"),
        ("/labels/pack/R-1006-1.svg", "image/svg+xml"),
    ] {
        let label = reader.get(path)?;
        assert_eq!(label.status, 200, "{path}");
        assert!(label.headers.contains(kind) && label.body.contains("<svg"), "{path}: {}", label.headers);
    }
    assert_eq!(reader.get("/labels/location/R99.svg")?.status, 404);
    assert_eq!(reader.get("/labels/location/R1.exe")?.status, 404);
    assert_eq!(newest(&running).await?, before, "looking is no print");
    for page in ["/pallets/095212340000000105", "/bags/HB-417", "/places/R1", "/runs/R-1006-1"] {
        assert!(reader.get(page)?.body.contains("print_label"), "{page}");
    }
    let from = "/pallets/095212340000000105";
    let fields = [("kind", "pallet"), ("code", sscc)];
    let printed = reader.action("print_label", &id(), from, &fields)?;
    assert_eq!((printed.status, printed.location.as_str()), (303, "/labels/pallet/095212340000000105.pdf"));
    let again = reader.action("print_label", &id(), from, &fields)?;
    assert_eq!(again.status, 422);
    assert!(again.body.contains("must say why: this label was printed before"), "{}", again.body);
    let because = [fields[0], fields[1], ("reason", "torn"), ("copy_count", "2")];
    assert_eq!(reader.action("print_label", &id(), from, &because)?.status, 303);
    assert_eq!(newest(&running).await?, before + 2);
    Ok(())
}

/// Without script: gear is moved by buttons, and what was seen counts for the lift the page showed it for.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lift_is_asked_for_without_script() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let reader = Reader::new(&running, "p-17");
    let before = newest(&running).await?;
    let seen = ["loops_on_untwisted", "bag_sound_dry", "nobody_below", "gate_shut"];
    let who = [("hoist", "H1"), ("direction", "up"), ("platform", "P1"), ("driver", "p-17"), ("slinger", "p-22")];
    let ask = |bags: &[&str], gear: &[&str], mark: &str, more: &[(&str, &str)]| {
        let mut fields = vec![("token", TOKEN), ("from", "/hoist"), ("confirmed_for", mark)];
        fields.extend(bags.iter().map(|tag| ("bag", *tag)));
        fields.extend(gear.iter().map(|code| ("gear", *code)));
        let choice =
            [("hoist", "H1"), ("direction", "up"), ("platform", "P1"), ("driver", "p-17"), ("slinger", "p-22")];
        fields.extend(choice);
        fields.extend(seen.map(|name| (name, "1")));
        fields.extend_from_slice(more);
        reader.post("ask_lift", &fields)
    };
    let mark_of = |body: &str| {
        let at = body.split("name=\"confirmed_for\" value=\"").nth(1).and_then(|rest| rest.split('"').next());
        at.unwrap_or_default().to_owned()
    };
    // Chosen and ticked in one go: the page did not show this lift yet, so it is asked again.
    let first = ask(&["HB-424"], &["SH1", "SP1"], &mark_of(&reader.get("/hoist")?.body), &[("ask", "1")])?;
    assert_eq!(first.status, 200);
    assert!(first.body.contains("was for another choice"), "{}", first.body);
    assert!(first.body.contains("not confirmed: nobody below") && !first.body.contains("No objection"));
    let mark = mark_of(&first.body);
    assert_eq!(mark, "HB-424|SH1,SP1|H1|up");
    let good = ask(&["HB-424"], &["SH1", "SP1"], &mark, &[("ask", "1")])?;
    assert!(good.body.contains("No objection in the records"), "{}", good.body);
    assert!(good.body.contains("Confirmed for this lift: 4 of 4"));
    // Nothing on the page is ticked, and no address of it says what was seen.
    for name in seen {
        assert!(good.body.contains(&format!("name=\"{name}\" value=\"1\" data-confirms")), "{name} is not ticked");
        assert!(!good.body.contains(&format!("{name}=1")), "{name} in an address");
        let page = reader
            .get(&format!("/hoist?bag=HB-424&gear=SH1&hoist=H1&platform=P1&driver=p-17&slinger=p-22&{name}=1&ask=1"))?;
        assert!(!page.body.contains("No objection in the records") && page.body.contains("not confirmed"));
        assert!(!page.body.contains(&format!("type=\"hidden\" name=\"{name}\"")), "{name} carried by an address");
    }
    // Another bag, other gear or another order under the same mark counts as not confirmed.
    for (bags, gear) in [(["HB-425"], ["SH1", "SP1"]), (["HB-424"], ["SP1", "SH1"])] {
        let other = ask(&bags, &gear, &mark, &[("ask", "1")])?;
        assert!(other.body.contains("was for another choice"), "{bags:?} {gear:?}");
    }
    let moved = ask(&["HB-424"], &["SH1", "SP1"], &mark, &[("move", "up:SP1")])?;
    assert_eq!(mark_of(&moved.body), "HB-424|SP1,SH1|H1|up");
    assert!(!moved.body.contains("id=\"verdict\""), "moving asks nothing");
    assert_eq!(newest(&running).await?, before, "asking records nothing");
    let german = reader.agent.post(format!("{}/do/ask_lift", reader.base));
    let german = german.header("cookie", reader.cookie.replace("language=en", "language=de"));
    let german = german.header("content-type", "application/x-www-form-urlencoded");
    let mut fields = vec![("token", TOKEN), ("bag", "HB-424"), ("gear", "SP1"), ("nobody_below", "1"), ("ask", "1")];
    fields.extend(who);
    let german = Reader::answer(german.send(encoded(&fields))?)?;
    assert!(german.body.contains("galt einer anderen Auswahl"), "{}", german.body);
    Ok(())
}
