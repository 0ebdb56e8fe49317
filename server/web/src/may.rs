//! What each role may do on the pages, and what is shown to those who may not.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::Role;

use super::ctx::Ctx;

/// Groups of actions, by who does them.
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
    /// Releases, ends of holds, closing deviations.
    Quality,
}

/// Whether a person of these roles does such actions.
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

/// Whether the one who is there does such actions.
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

/// Shows a form to those who may do its action; to others why it is not there.
pub fn guarded(ctx: &Ctx, wanted: May, make: impl FnOnce() -> Markup) -> Markup {
    if may(ctx, wanted) {
        return make();
    }
    html! {
        @if ctx.who.is_none() {
            p { a.button href={ "/who?to=" (super::address::escaped(&ctx.path)) } { (ctx.t("Say who you are to record")) } }
        }
    }
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
