//! Who is there: a code said once a shift, and what each role may do. Language, look and back-entry are set here too.

use maud::{Markup, html};
use packloft_proto::v1;
use tonic::Status;

use super::ctx::Ctx;
use super::frame::Page;
use super::may::roles;
use super::registers;
use super::widgets::{Form, form, n};
use super::words::Language;

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
        (super::entries::names(ctx).await?)
    };
    Ok(Page::new(ctx.t("Who are you?"), body))
}
