//! Settings of the site on the command line: only what is given changes.

use clap::{Args, ValueEnum};
use packloft_proto::v1;

use super::fill_args::SchemeName;
use crate::fault::Fault;
use crate::fill_tables;

/// Whose further rules on net quantity.
#[derive(Clone, Copy, ValueEnum)]
pub enum RulesName {
    /// None but those a plan has itself.
    PlanOnly,
    /// United Kingdom: one in forty below T1, none below T2.
    UnitedKingdom,
    /// Ireland: the same.
    Ireland,
    /// Germany: one in fifty below T1, none below the second limit of its own table.
    Germany,
    /// France: one in fifty below T1, none below T2.
    France,
}

impl RulesName {
    fn code(self) -> i32 {
        use v1::QuantityRules as R;
        let rules = match self {
            RulesName::PlanOnly => R::PlanOnly,
            RulesName::UnitedKingdom => R::UnitedKingdom,
            RulesName::Ireland => R::Ireland,
            RulesName::Germany => R::Germany,
            RulesName::France => R::France,
        };
        rules.into()
    }
}

/// Settings to change.
#[derive(Args)]
pub struct SiteSetArgs {
    /// Global Location Number, 13 digits.
    #[arg(long)]
    gln: Option<String>,
    /// Name.
    #[arg(long)]
    name: Option<String>,
    /// IANA time zone.
    #[arg(long)]
    zone: Option<String>,
    /// Start of the working day, minutes after midnight.
    #[arg(long)]
    day_start_minute: Option<i64>,
    /// GS1 company prefix, 4 to 12 digits; "" when there is none any more.
    #[arg(long)]
    company_prefix: Option<String>,
    /// Postal address as papers show it.
    #[arg(long)]
    address: Option<String>,
    /// A shift as NAME=HH:MM-HH:MM; give all of them, they replace those before.
    #[arg(long = "shift")]
    shifts: Vec<String>,
    /// There are no shifts any more.
    #[arg(long, conflicts_with = "shifts")]
    without_shifts: bool,
    /// Share of packs that may be below T1 in this market, in millionths.
    #[arg(long)]
    short_share_ppm: Option<i64>,
    /// A scheme of net quantity in use here; give all of them, they replace those before.
    #[arg(long = "quantity-scheme", value_enum)]
    quantity_schemes: Vec<SchemeName>,
    /// Whose further rules on net quantity hold; goes with the schemes, they replace each other together.
    #[arg(long, value_enum)]
    quantity_rules: Option<RulesName>,
    /// Net quantity is judged by all schemes again.
    #[arg(long, conflicts_with_all = ["quantity_schemes", "quantity_rules"])]
    without_quantity_setting: bool,
    /// Refuse when the site was changed after this sequence.
    #[arg(long)]
    pub expected_version: Option<i64>,
}

fn minute(text: &str) -> Option<i64> {
    let (hour, minute) = text.split_once(':')?;
    let (hour, minute): (i64, i64) = (hour.parse().ok()?, minute.parse().ok()?);
    ((0..24).contains(&hour) && (0..60).contains(&minute)).then_some(hour * 60 + minute)
}

fn shift(text: &str) -> Result<v1::Shift, Fault> {
    let read = || {
        let (name, times) = text.rsplit_once('=')?;
        let (start, end) = times.split_once('-')?;
        Some(v1::Shift { name: name.into(), start_minute: minute(start)?, end_minute: minute(end)? })
    };
    read().ok_or_else(|| Fault::usage(format!("{text:?} is no shift; write NAME=HH:MM-HH:MM, e.g. early=06:00-14:00")))
}

impl SiteSetArgs {
    /// The settings as the request has them.
    pub fn settings(self) -> Result<v1::SiteSettings, Fault> {
        let quantity_given =
            self.without_quantity_setting || self.quantity_rules.is_some() || !self.quantity_schemes.is_empty();
        Ok(v1::SiteSettings {
            gln: self.gln,
            name: self.name,
            company_prefix: self.company_prefix,
            zone: self.zone,
            day_start_minute: self.day_start_minute,
            shifts: self.shifts.iter().map(|text| shift(text)).collect::<Result<_, _>>()?,
            short_share_ppm: self.short_share_ppm,
            address: self.address,
            without_shifts: self.without_shifts,
            quantity: quantity_given.then(|| v1::QuantitySetting {
                schemes: self.quantity_schemes.iter().map(|scheme| scheme.code()).collect(),
                rules: self.quantity_rules.map_or(0, RulesName::code),
            }),
        })
    }
}

/// The site as lines of a table: setting and value.
pub fn rows(site: &v1::Site) -> Vec<Vec<String>> {
    let clock = |minute: i64| format!("{:02}:{:02}", minute / 60, minute % 60);
    let mut rows = vec![
        vec!["gln".to_owned(), site.gln.clone()],
        vec!["name".to_owned(), site.name.clone()],
        vec!["address".to_owned(), site.address.clone()],
        vec!["company prefix".to_owned(), site.company_prefix.clone()],
        vec!["zone".to_owned(), site.zone.clone()],
        vec!["day starts".to_owned(), clock(site.day_start_minute)],
    ];
    for shift in &site.shifts {
        let times = format!("{}-{}", clock(shift.start_minute), clock(shift.end_minute));
        rows.push(vec![format!("shift {}", shift.name), times]);
    }
    if site.short_share_ppm > 0 {
        rows.push(vec!["short share".to_owned(), format!("{} ppm", site.short_share_ppm)]);
    }
    if let Some(setting) = &site.quantity {
        let schemes: Vec<&str> = setting.schemes().map(fill_tables::scheme).collect();
        let schemes = if schemes.is_empty() { "all".to_owned() } else { schemes.join(", ") };
        rows.push(vec!["quantity schemes".to_owned(), schemes]);
        rows.push(vec!["quantity rules".to_owned(), fill_tables::rules(setting.rules()).to_owned()]);
    }
    rows
}
