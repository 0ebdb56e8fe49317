//! A clock set by hand, so that the invented days can be played under any date, by server and command alike.
//!
//! `PACKLOFT_CLOCK` is an instant (`2028-02-29T12:00:00Z`: a program begins there and time runs on), or microseconds from
//! the machine's clock (`+5000000`, `-5000000`), which is how a program hands its clock to those it starts, so that all of
//! them agree and a server that is started again does not go back. Only the executables of the demos and of the suites
//! read it: `packloft-server` and `packloft` do not, because a wrong clock would judge dates of examination wrongly.

use std::process::Command;

use packloft_client::moment;

/// Name of the variable.
pub const VARIABLE: &str = "PACKLOFT_CLOCK";

/// Microseconds from the machine's clock to what the text says.
///
/// # Errors
/// When it is neither an instant nor microseconds.
pub fn ahead_us(text: &str) -> Result<i64, String> {
    if text.starts_with(['+', '-']) {
        return text.parse().map_err(|_| format!("{VARIABLE}: {text:?} is no whole number of microseconds"));
    }
    let instant = moment::Zone::named("UTC").parse(text).map_err(|fault| format!("{VARIABLE}: {fault}"))?;
    let now = moment::now();
    let machine_us = now.seconds * 1_000_000 + i64::from(now.nanos) / 1_000 - moment::ahead_us();
    Ok(instant.seconds * 1_000_000 + i64::from(instant.nanos) / 1_000 - machine_us)
}

/// Sets this process's clock as the variable says, if it is there.
///
/// # Errors
/// When the variable cannot be read.
pub fn take() -> Result<(), String> {
    if let Ok(text) = std::env::var(VARIABLE) {
        moment::set_ahead(ahead_us(&text)?);
    }
    Ok(())
}

/// Gives this process's clock to a program that is about to be started.
pub fn hand_on(command: &mut Command) -> &mut Command {
    command.env(VARIABLE, format!("{:+}", moment::ahead_us()))
}
