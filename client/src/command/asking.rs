//! Asking and showing, a whole list page by page.

use crate::fault::Fault;
use prost_reflect::prost::Message;

use crate::show::Sheet;

/// The line that says how to go on.
pub(super) fn more(token: &str) -> Sheet {
    let after = if token.is_empty() { Vec::new() } else { vec![format!("there is more: --page {token}")] };
    Sheet { after, ..Sheet::default() }
}

/// Asks and shows; `show!(session, client.method(request), "Name", |answer| sheets)`.
macro_rules! show {
    ($session:ident, $client:ident . $method:ident ($request:expr), $name:literal, |$answer:ident| $sheets:expr) => {{
        let answer = $session.connection.$client.$method($request).await.map_err(|s| ask_fault(&s))?.into_inner();
        let $answer = &answer;
        let sheets: Vec<Sheet> = $sheets;
        $session.show($name, &answer, &sheets);
        Ok(Some(Exit::Done))
    }};
}

/// The same for a list: all of its pages, unless so many rows or a page were asked for.
macro_rules! list {
    ($session:ident, $client:ident . $method:ident ($request:expr), $name:literal, |$answer:ident| $sheets:expr) => {{
        let mut request = $request;
        let whole = request.page_size == 0;
        if whole {
            request.page_size = $crate::command::asking::ROWS_AT_ONCE;
        }
        let answer = $session.connection.$client.$method(request.clone()).await;
        let mut answer = answer.map_err(|s| ask_fault(&s))?.into_inner();
        while whole && !answer.next_page_token.is_empty() {
            request.page_token = std::mem::take(&mut answer.next_page_token);
            let more = $session.connection.$client.$method(request.clone()).await;
            let more = more.map_err(|s| ask_fault(&s))?.into_inner();
            $crate::command::asking::join(&mut answer, &more)?;
        }
        let $answer = &answer;
        let sheets: Vec<Sheet> = $sheets;
        $session.show($name, &answer, &sheets);
        Ok(Some(Exit::Done))
    }};
}

pub(super) use list;

pub(super) use show;

/// Rows of a page when the whole list is fetched.
pub(super) const ROWS_AT_ONCE: i32 = 1_000;

/// Adds a page to those before it: rows come after rows, the rest is as the newest page says.
pub(super) fn join<M: Message>(answer: &mut M, more: &M) -> Result<(), Fault> {
    let joined = answer.merge(more.encode_to_vec().as_slice());
    joined.map_err(|fault| Fault::usage(format!("the pages of the list do not fit together: {fault}")))
}
