//! Questions of the supervisor about legal quantity, charts, the lowest safe target, and where the time went.

use clap::{Subcommand, ValueEnum};
use packloft_proto::v1;

use crate::command::asking::show;
use crate::command::session::{Session, ask_fault};
use crate::fault::{Exit, Fault};
use crate::fill_tables;
use crate::show::Sheet;

/// Kinds of charts.
#[derive(Clone, Copy, ValueEnum)]
pub enum ChartKind {
    /// Means and ranges.
    MeanRange,
    /// Means and standard deviations.
    MeanDeviation,
    /// Single values and moving ranges.
    Individual,
}

/// Schemes of law.
#[derive(Clone, Copy, ValueEnum)]
pub enum SchemeName {
    /// 76/211/EEC, double plan.
    EuDouble,
    /// 76/211/EEC, destructive.
    EuDestructive,
    /// UK SI 2006/659, single plan.
    UkSingle,
    /// OIML R 87:2004.
    R87,
    /// NIST Handbook 133 (from memory, no verdict).
    Hb133,
    /// Every pack weighed.
    FullCheck,
}

impl SchemeName {
    pub(super) fn code(self) -> i32 {
        use v1::QuantityScheme as S;
        let scheme = match self {
            SchemeName::EuDouble => S::EuDouble,
            SchemeName::EuDestructive => S::EuDestructive,
            SchemeName::UkSingle => S::UkSingle,
            SchemeName::R87 => S::R87,
            SchemeName::Hb133 => S::Hb133,
            SchemeName::FullCheck => S::FullCheck,
        };
        scheme.into()
    }
}

/// Questions about fill and time.
#[derive(Subcommand)]
pub enum FillTask {
    /// The verdict an inspector would reach on the packs of a run, hour by hour, with every figure.
    Quantity {
        /// Run.
        run: String,
        /// Scheme, may be repeated; those the site uses without it.
        #[arg(long = "scheme")]
        schemes: Vec<SchemeName>,
        /// Share that may be below T1 where every pack is weighed, in millionths; the site's without it.
        #[arg(long, default_value_t = 0)]
        short_share_ppm: i64,
        /// Length of a lot in minutes; a clock hour without it.
        #[arg(long, default_value_t = 0)]
        minutes: i64,
        /// Also say which packs were drawn.
        #[arg(long)]
        packs: bool,
    },
    /// Control chart of a run's check weighings with run rules and capability.
    Chart {
        /// Run.
        run: String,
        /// Kind.
        #[arg(long, value_enum, default_value_t = ChartKind::MeanRange)]
        kind: ChartKind,
        /// Readings in a subgroup.
        #[arg(long, default_value_t = 0)]
        subgroup: i64,
        /// Points the limits are from; all without it.
        #[arg(long, default_value_t = 0)]
        base: i64,
        /// Points in a row on one side that count as a signal.
        #[arg(long, default_value_t = 0)]
        one_side: i64,
    },
    /// The lowest safe target for the spread a run shows, and what it would save.
    Target {
        /// Run.
        run: String,
        /// Share that may be below T1, in millionths; the site's without it.
        #[arg(long, default_value_t = 0)]
        short_share_ppm: i64,
        /// Packs weighed an hour to steer by.
        #[arg(long, default_value_t = 0)]
        hourly_samples: i64,
        /// Worth of a kilogram in minor units of the currency.
        #[arg(long, default_value_t = 0)]
        value_per_kg: i64,
        /// Currency.
        #[arg(long, default_value = "")]
        currency: String,
        /// Packs a day; at the run's own rate without it.
        #[arg(long, default_value_t = 0)]
        daily_packs: i64,
    },
    /// Where a line's time went: availability, effectiveness, quality rate, stops by reason.
    Performance {
        /// Machine.
        machine: String,
        /// Working day, YYYY-MM-DD.
        #[arg(long)]
        day: String,
        /// Name of the shift; the whole day without it.
        #[arg(long, default_value = "")]
        name: String,
    },
}

/// Asks and shows.
///
/// # Errors
/// What the server answered instead.
pub async fn run(session: &mut Session, task: &FillTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        FillTask::Quantity { run, schemes, short_share_ppm, minutes, packs } => {
            let request = v1::GetNetQuantityRequest {
                run_code: run.clone(),
                schemes: schemes.iter().map(|scheme| scheme.code()).collect(),
                short_share_ppm: *short_share_ppm,
                lot_minutes: *minutes,
                min_sequence: 0,
            };
            show!(session, figure.get_net_quantity(request), "GetNetQuantityResponse", |answer| {
                fill_tables::quantity(answer, &zone, *packs)
            })
        }
        FillTask::Chart { run, kind, subgroup, base, one_side } => {
            let kind = match kind {
                ChartKind::MeanRange => v1::ChartKind::Unspecified,
                ChartKind::MeanDeviation => v1::ChartKind::MeanDeviation,
                ChartKind::Individual => v1::ChartKind::Individual,
            };
            let request = v1::GetChartRequest {
                run_code: run.clone(),
                kind: kind.into(),
                subgroup_count: *subgroup,
                base_count: *base,
                one_side_count: *one_side,
                min_sequence: 0,
            };
            show!(session, figure.get_chart(request), "GetChartResponse", |answer| fill_tables::chart(answer, &zone))
        }
        FillTask::Target { run, short_share_ppm, hourly_samples, value_per_kg, currency, daily_packs } => {
            let request = v1::GetTargetFillRequest {
                run_code: run.clone(),
                short_share_ppm: *short_share_ppm,
                hourly_sample_count: *hourly_samples,
                value_per_kg_minor: *value_per_kg,
                currency: currency.clone(),
                daily_pack_count: *daily_packs,
                min_sequence: 0,
            };
            show!(session, figure.get_target_fill(request), "GetTargetFillResponse", |answer| {
                fill_tables::target(answer, currency)
            })
        }
        FillTask::Performance { machine, day, name } => {
            let request = v1::GetLinePerformanceRequest {
                machine_code: machine.clone(),
                day: day.clone(),
                shift_name: name.clone(),
                min_sequence: 0,
            };
            show!(session, figure.get_line_performance(request), "GetLinePerformanceResponse", |answer| {
                fill_tables::performance(answer, &zone)
            })
        }
    }
}
