//! Who is there: a code said once a shift, and what each role may do. Language, look and back-entry are set here too.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::Role;
use tonic::Status;

use super::frame::Page;
use super::widgets::{Form, form, n};
use super::words::Language;
use super::{Ctx, registers};

/// Groups of deeds, by who does them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum May {
    /// Bags in, weighings, lifts, the line.
    Floor,
    /// Pallets, store, orders, vehicles.
    Store,
    /// Results of the laboratory.
    Results,
    /// Placing a hold, a remark: everybody who records.
    Record,
    /// Releases, ends of holds, closing breaches.
    Quality,
}

/// Whether a person of these roles does such deeds.
pub fn role_may(roles: &[Role], may: May) -> bool {
    let any = |wanted: &[Role]| roles.iter().any(|role| wanted.contains(role));
    match may {
        May::Floor => any(&[Role::Operator, Role::Supervisor, Role::Clerk, Role::Maintenance, Role::Administrator]),
        May::Store => any(&[Role::Clerk, Role::Supervisor, Role::Operator, Role::Administrator]),
        May::Results => any(&[Role::Laboratory, Role::Qa]),
        May::Record => roles.iter().any(|role| !matches!(role, Role::Reader | Role::Device | Role::Unspecified)),
        May::Quality => any(&[Role::Qa]),
    }
}

/// Whether the one who is there does such deeds.
pub fn may(ctx: &Ctx, may: May) -> bool {
    ctx.who.as_ref().is_some_and(|person| role_may(&person.roles().collect::<Vec<_>>(), may))
}

fn role_name(ctx: &Ctx, role: Role) -> String {
    match role {
        Role::Operator => ctx.t("operator"),
        Role::Supervisor => ctx.t("supervisor"),
        Role::Clerk => ctx.t("clerk"),
        Role::Laboratory => ctx.t("laboratory"),
        Role::Qa => ctx.t("quality"),
        Role::Maintenance => ctx.t("maintenance"),
        Role::Administrator => ctx.t("administrator"),
        Role::Reader => ctx.t("reader"),
        Role::Device | Role::Unspecified => ctx.t("device"),
    }
}

/// Roles in words.
pub fn roles(ctx: &Ctx, person: &v1::Person) -> String {
    person.roles().map(|role| role_name(ctx, role)).collect::<Vec<_>>().join(", ")
}

/// Shows a form to those who may do its deed; to others why it is not there.
pub fn guarded(ctx: &Ctx, wanted: May, make: impl FnOnce() -> Markup) -> Markup {
    if may(ctx, wanted) {
        return make();
    }
    html! {
        @if ctx.who.is_none() {
            p { a.button href={ "/who?to=" (super::escaped(&ctx.path)) } { (ctx.t("Say who you are to record")) } }
        }
    }
}

fn badge(ctx: &Ctx) -> Markup {
    form(ctx, "who", "who", &ctx.t("This is me"), |f: &Form| {
        html! {
            input type="hidden" name="to" value=(ctx.query.get("to"));
            (f.code("person_code", n("Your code"), &[], n("Type it, or scan your badge.")))
        }
    })
}

fn known(ctx: &Ctx, persons: &[v1::Person], names: &std::collections::BTreeMap<String, String>) -> Markup {
    html! {
        @if !persons.is_empty() {
            h2 { (ctx.t("Or touch your code")) }
            form.choices method="post" action="/do/who" {
                (super::widgets::hidden(ctx, "who-touch"))
                input type="hidden" name="to" value=(ctx.query.get("to"));
                @for person in persons {
                    button name="person_code" value=(person.code) {
                        strong { (person.code) } " " @if let Some(name) = names.get(&person.code) { span { (name) } " " } span { (roles(ctx, person)) }
                    }
                }
            }
        }
    }
}

fn settings(ctx: &Ctx) -> Markup {
    let looks = [("device", ctx.t("as the device")), ("light", ctx.t("light")), ("dark", ctx.t("dark"))];
    let look = if ctx.look.is_empty() { "device" } else { &ctx.look };
    html! {
        h2 { (ctx.t("This device")) }
        form.row method="post" action="/do/settings" {
            (super::widgets::hidden(ctx, "settings"))
            div.field {
                label for="language" { (ctx.t("Language")) }
                select #language name="language" {
                    @for language in Language::ALL {
                        option value=(language.tag()) lang=(language.tag()) selected[language == ctx.words.language] {
                            (language.name())
                        }
                    }
                }
            }
            div.field {
                label for="look" { (ctx.t("Colours")) }
                select #look name="look" {
                    @for (value, name) in looks {
                        option value=(value) selected[value == look] { (name) }
                    }
                }
            }
            button type="submit" { (ctx.t("Keep")) }
        }
    }
}

/// The page.
///
/// # Errors
/// When the persons cannot be read.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let persons = registers::persons(ctx).await?;
    let names = registers::names(ctx).await;
    let body = html! {
        @if let Some(person) = &ctx.who {
            p.big { (ctx.tf("Records are made by {} until the shift ends.", &[&person.code])) }
            form method="post" action="/do/who" {
                (super::widgets::hidden(ctx, "leave"))
                input type="hidden" name="leave" value="1";
                button type="submit" { (ctx.t("I am leaving")) }
            }
        } @else {
            p { (ctx.t("Every record names who made it. Say your code once; it holds until the shift ends.")) }
        }
        (badge(ctx))
        (known(ctx, &persons, &names))
        (settings(ctx))
        (super::facts::names(ctx).await?)
    };
    Ok(Page::new(ctx.t("Who are you?"), body))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn releases_are_for_quality_and_readers_record_nothing() {
        let rows = [
            (Role::Operator, [true, true, false, true, false]),
            (Role::Supervisor, [true, true, false, true, false]),
            (Role::Clerk, [true, true, false, true, false]),
            (Role::Laboratory, [false, false, true, true, false]),
            (Role::Qa, [false, false, true, true, true]),
            (Role::Maintenance, [true, false, false, true, false]),
            (Role::Administrator, [true, true, false, true, false]),
            (Role::Reader, [false, false, false, false, false]),
            (Role::Device, [false, false, false, false, false]),
        ];
        for (role, wanted) in rows {
            let all = [May::Floor, May::Store, May::Results, May::Record, May::Quality];
            assert_eq!(all.map(|may| role_may(&[role], may)), wanted, "{role:?}");
        }
    }
}
