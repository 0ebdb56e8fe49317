//! Names and contacts of people: kept and erased outside the journal (see [`crate::people`]).

use std::sync::Arc;

use packloft_domain::fact::registered::Item;
use packloft_domain::objects::register::item_at;
use packloft_proto::v1;
use tonic::Status;

use packloft_answers::times::timestamp;

use super::faults::{Faults, quoted, unseen};
use super::{Api, status};
use crate::lanes::Lane;
use crate::people::{Details, PeopleError};
use packloft_answers::context::unknown;

/// Most characters of a name.
const NAME_MAX: usize = 200;
/// Most characters of a contact.
const CONTACT_MAX: usize = 500;

fn bounded(faults: &mut Faults, field: &str, value: &str, least: usize, most: usize) -> String {
    let value = value.trim();
    let count = value.chars().count();
    if !(least..=most).contains(&count) || value.chars().any(unseen) {
        faults.add(field, format!("is {}; must be {least} to {most} characters on one line", quoted(value)));
    }
    value.to_owned()
}

fn shown(row: Details, context: Option<(&str, &str)>) -> v1::PersonDetails {
    let matches = context.map(|(name, contact)| row.matches(name, contact));
    let (erased_us, erased_actor_code, erased_reason) = match row.erased {
        Some((at, by, why)) => (Some(at), by, why),
        None => (None, String::new(), String::new()),
    };
    v1::PersonDetails {
        person_code: row.person_code,
        name: row.name,
        contact: row.contact,
        hash: row.hash,
        erased_time: erased_us.map(timestamp),
        erased_actor_code,
        erased_reason,
        matches,
    }
}

impl Api {
    /// Runs a change of the file of names where waiting for the disk holds nobody up.
    async fn on_names(
        &self,
        run: impl FnOnce(&crate::people::People) -> Result<(), PeopleError> + Send + 'static,
    ) -> Result<(), Status> {
        let people = Arc::clone(&self.people);
        let done = tokio::task::spawn_blocking(move || run(&people)).await;
        match done {
            Ok(Ok(())) => Ok(()),
            Ok(Err(fault)) => Err(status::people(fault)),
            Err(fault) => Err(status::unreadable(&format!("names: {fault}"))),
        }
    }

    pub(super) async fn keep_name(
        &self,
        request: v1::SetPersonDetailsRequest,
    ) -> Result<v1::SetPersonDetailsResponse, Status> {
        let mut faults = Faults::default();
        faults.code("actor_code", &request.actor_code);
        let code = faults.code("person_code", &request.person_code);
        let name = bounded(&mut faults, "name", &request.name, 1, NAME_MAX);
        let contact = bounded(&mut faults, "contact", &request.contact, 0, CONTACT_MAX);
        faults.check().map_err(status::refusal)?;
        self.known_actor(&request.actor_code).await?;
        let person = code.clone();
        self.ask(Lane::Plain, 0, move |context| match item_at(&context.record, "person", &person, i64::MAX)? {
            Some((Item::Person(_), _)) => Ok(()),
            _ => Err(unknown("person", &person)),
        })
        .await?;
        self.on_names(move |people| people.set(&code, &name, &contact)).await?;
        Ok(v1::SetPersonDetailsResponse {})
    }

    pub(super) async fn erase_name(
        &self,
        request: v1::ErasePersonDetailsRequest,
    ) -> Result<v1::ErasePersonDetailsResponse, Status> {
        let mut faults = Faults::default();
        let by = faults.code("actor_code", &request.actor_code);
        let code = faults.code("person_code", &request.person_code);
        let why = faults.text("reason", &request.reason);
        faults.check().map_err(status::refusal)?;
        self.known_actor(&by).await?;
        let now_us = self.engine().clock.now_us();
        self.on_names(move |people| people.erase(&code, now_us, &by, &why)).await?;
        Ok(v1::ErasePersonDetailsResponse {})
    }

    pub(super) fn names(
        &self,
        request: &v1::ListPersonDetailsRequest,
    ) -> Result<v1::ListPersonDetailsResponse, Status> {
        let mut faults = Faults::default();
        let code = faults.optional_code("person_code", &request.person_code);
        if !request.name.is_empty() && code.is_empty() {
            faults.add("person_code", "must be given to ask about a name");
        }
        faults.check().map_err(status::refusal)?;
        let (name, contact) = (request.name.trim(), request.contact.trim());
        let context = (!name.is_empty()).then_some((name, contact));
        let rows = self.people.list(&code).map_err(status::people)?;
        Ok(v1::ListPersonDetailsResponse { details: rows.into_iter().map(|row| shown(row, context)).collect() })
    }
}
