//! Sending what was done, with a request id that is kept.

use crate::fault::Fault;
use crate::v1;

/// Sends a write with id, time and actor, and shows its receipt.
macro_rules! write {
    ($session:ident, $client:ident . $method:ident, $request:ident { $($body:tt)* }) => {{
        let request = v1::$request {
            request_id: $session.request_id.clone(),
            occurred_time: Some($session.time),
            actor_code: $session.actor_code.clone(),
            $($body)*
        };
        send!($session, $client.$method, request)
    }};
}

macro_rules! send {
    ($session:ident, $client:ident . $method:ident, $request:ident) => {{
        let answer = $crate::command::session::deliver($session, &$request, |request| {
            let mut client = $session.connection.$client.clone();
            async move { client.$method(request).await }
        })
        .await?;
        let receipt = answer.receipt.clone().unwrap_or_default();
        $session.show("Receipt", &receipt, &[tables::receipt(&receipt)]);
        Ok(Exit::Done)
    }};
}

pub(super) use send;

pub(super) use write;

pub(super) fn packs(text: &str) -> Result<v1::PackInterval, Fault> {
    let wrong = || Fault::usage(format!("{text:?} are no packs; write RUN:FIRST-LAST"));
    let (run, numbers) = text.rsplit_once(':').ok_or_else(wrong)?;
    let (first, last) = numbers.split_once('-').ok_or_else(wrong)?;
    Ok(v1::PackInterval {
        run_code: run.into(),
        first_number: first.parse().map_err(|_| wrong())?,
        last_number: last.parse().map_err(|_| wrong())?,
    })
}
