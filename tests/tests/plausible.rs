//! Figures that can be true but hardly are, through the command and the pages: asked back with what was typed kept, recorded
//! and listed once somebody says they are right, asked anew when they were changed, and no way round a rule.

use packloft_client::v1;
use packloft_examples::step::Step;
use packloft_tests::Running;
use packloft_tests::pages::{attribute, encoded};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
const TOKEN: &str = "6f1f8a4e-1c2b-4f7e-9a51-2d3c4b5a6978";

struct House {
    running: Running,
    /// Newest counter of filled cycles, read four minutes ago.
    filled: i64,
}

impl House {
    async fn start() -> anyhow::Result<House> {
        let running = Running::with_everything(EXECUTABLE).await?;
        let now = packloft_client::moment::now();
        let line = v1::GetLineRequest { machine_code: "M1".into(), ..Default::default() };
        let line = running.connection.run.clone().get_line(line).await?.into_inner();
        assert!(line.notes.iter().all(|note| !note.contains("planned rate")), "{:?}", line.notes);
        let newest = line.counts.iter().flat_map(|row| &row.counters);
        let newest = newest.filter(|c| c.place() == v1::CounterPlace::Filled).map(|c| c.value).max().unwrap_or(0);
        let filled = newest + 10;
        let mut count: Step = v1::RecordCountRequest {
            machine_code: "M1".into(),
            counters: vec![v1::CounterReading { place: 1, value: filled, ..Default::default() }],
            ..Default::default()
        }
        .into();
        let (id, time, actor) = count.header();
        *id = packloft_client::connection::request_id();
        *time = Some(prost_types::Timestamp { seconds: now.seconds - 245, nanos: 0 });
        "p-31".clone_into(actor);
        count.play(&running.connection).await?;
        Ok(House { running, filled })
    }

    async fn newest(&self) -> anyhow::Result<i64> {
        let answer = self.running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?;
        Ok(answer.into_inner().sequence)
    }

    async fn listed(&self, sequence: i64) -> anyhow::Result<Vec<String>> {
        let request = v1::ListDiscrepanciesRequest { page_size: 1_000, ..Default::default() };
        let all = self.running.connection.quality.clone().list_discrepancies(request).await?.into_inner();
        let own = all.discrepancies.into_iter().filter(|row| row.event_sequence == sequence);
        Ok(own.flat_map(|row| row.findings).map(|found| found.rule).collect())
    }

    fn count(&self, value: i64, more: &[&str]) -> anyhow::Result<(Option<i32>, String, String)> {
        let value = value.to_string();
        let arguments = [&["--actor", "p-31", "count", "M1", "--filled", &value], more].concat();
        let output = self.running.command(&arguments)?;
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Ok((output.status.code(), text(&output.stdout), text(&output.stderr)))
    }

    /// Sends the form of a count; gives status, address and page.
    fn form(&self, language: &str, id: &str, value: &str, said: &str) -> anyhow::Result<(u16, String, String)> {
        let config = ureq::Agent::config_builder().http_status_as_error(false).max_redirects(0).build();
        let agent: ureq::Agent = config.into();
        let fields = [
            ("token", TOKEN),
            ("request_id", id),
            ("from", "/line/M1"),
            ("key", "count"),
            ("machine_code", "M1"),
            ("filled", value),
            ("confirmed_implausible", said),
        ];
        let mut answer = agent
            .post(format!("{}/do/count", self.running.server.url()))
            .header("cookie", format!("person=p-31; form_token={TOKEN}; language={language}"))
            .header("content-type", "application/x-www-form-urlencoded")
            .send(encoded(&fields))?;
        let location = answer.headers().get("location").and_then(|v| v.to_str().ok()).unwrap_or("").to_owned();
        Ok((answer.status().as_u16(), location, answer.body_mut().read_to_string()?))
    }
}

/// The value of the button that says figures are right.
fn button(page: &str) -> Option<String> {
    attribute(page, "name=\"confirmed_implausible\"", "value")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_command_asks_back_and_records_what_is_confirmed() -> anyhow::Result<()> {
    let house = House::start().await?;
    let before = house.newest().await?;
    let much = house.filled + 9_480;
    let (code, out, fault) = house.count(much, &[])?;
    assert_eq!((code, out.as_str()), (Some(1), ""));
    for words in [
        "not recorded: is this right? Look again",
        "9480 packs in 4 minutes is 5",
        " times the rate of M1 (2520 an hour); at most ",
        "if it is right, give the same command again with --confirm",
    ] {
        assert!(fault.contains(words), "{fault}");
    }
    assert_eq!(house.newest().await?, before, "nothing was recorded");
    // What cannot be true stays refused, whatever anybody says.
    let (code, _, fault) = house.count(1, &["--confirm"])?;
    assert_eq!(code, Some(1));
    assert!(fault.contains("without a reset") && !fault.contains("--confirm"), "{fault}");
    assert_eq!(house.newest().await?, before);
    let (code, out, fault) = house.count(much, &["--confirm"])?;
    assert_eq!(code, Some(0), "{fault}");
    assert!(out.contains("9480 packs in 4 minutes"), "{out}");
    assert_eq!(house.listed(before + 1).await?, ["RATE_BEYOND_MACHINE"]);
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_pages_ask_in_both_languages_and_keep_what_was_typed() -> anyhow::Result<()> {
    let house = House::start().await?;
    let before = house.newest().await?;
    let id = packloft_client::connection::request_id();
    let much = (house.filled + 9_480).to_string();
    let mut said = String::new();
    for (language, words) in [
        ("en", ["Is this right?", "They are right: record them", "Send the corrected figures"]),
        ("de", ["Stimmt das?", "Sie stimmen: eintragen", "Berichtigte Werte senden"]),
    ] {
        let (status, _, page) = house.form(language, &id, &much, "")?;
        assert_eq!(status, 409);
        for words in words {
            assert!(page.contains(words), "{language}: {words}");
        }
        assert!(page.contains("9480 packs in 4"), "the figure is named");
        assert!(page.contains(&format!("value=\"{much}\"")), "what was typed is kept");
        assert!(page.contains(&id), "the same request is asked about");
        said = button(&page).ok_or_else(|| anyhow::anyhow!("no button"))?;
    }
    assert_eq!(house.newest().await?, before, "nothing was recorded");
    // Saying yes to one figure is no yes to another.
    let other = (house.filled + 94_800).to_string();
    let (status, _, page) = house.form("en", &id, &other, &said)?;
    assert_eq!(status, 409);
    assert_ne!(button(&page), Some(said.clone()));
    // Nor to what cannot be true.
    let (status, _, page) = house.form("en", &id, "1", &said)?;
    assert_eq!((status, button(&page)), (409, None));
    assert_eq!(house.newest().await?, before);
    for _ in 0..2 {
        let (status, location, _) = house.form("en", &id, &much, &said)?;
        assert_eq!(
            (status, location),
            (303, format!("/line/M1?done={}", before + 1)),
            "once, however often it is sent"
        );
    }
    assert_eq!(house.listed(before + 1).await?, ["RATE_BEYOND_MACHINE"]);
    // A figure that is right needs nobody's word.
    let fine = (house.filled + 9_490).to_string();
    let (status, location, _) = house.form("en", &packloft_client::connection::request_id(), &fine, "")?;
    assert_eq!((status, location), (303, format!("/line/M1?done={}", before + 2)));
    assert_eq!(house.listed(before + 2).await?, [""; 0]);
    Ok(())
}

/// The field has one number in every request, so that whoever asks back can set it in any of them.
#[test]
fn the_field_has_one_number() -> anyhow::Result<()> {
    let pool = prost_reflect::DescriptorPool::decode(v1::DESCRIPTOR)?;
    let fields = pool.all_messages().filter_map(|message| message.get_field_by_name("confirmed_implausible"));
    let numbers: Vec<u32> = fields.map(|field| field.number()).collect();
    assert_eq!(numbers, [v1::CONFIRMED_NUMBER; 12]);
    let count = v1::RecordCountRequest { machine_code: "M1".into(), ..Default::default() };
    assert_eq!(v1::confirmed(&count), v1::RecordCountRequest { confirmed_implausible: true, ..count });
    let release = v1::ReleaseLotRequest { lot_code: "L".into(), ..Default::default() };
    assert_eq!(v1::confirmed(&release), release, "a request without it stays as it is");
    Ok(())
}
