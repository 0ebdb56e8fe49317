//! A tracer run as a file: two columns, every row that cannot be read named.

use packloft_proto::v1;

use crate::fault::Fault;

/// Measurements of a tracer run from a CSV file.
///
/// # Errors
/// A fault of use naming every row that cannot be read.
pub fn points(file: &std::path::Path) -> Result<Vec<v1::TracerPoint>, Fault> {
    let shown = file.display();
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_path(file)
        .map_err(|fault| Fault::usage(format!("cannot read {shown}: {fault}")))?;
    let heads = reader.headers().map_err(|fault| Fault::usage(format!("cannot read {shown}: {fault}")))?.clone();
    let column = |name: &str| heads.iter().position(|head| head.eq_ignore_ascii_case(name));
    let (Some(time), Some(concentration)) = (column("time_s"), column("concentration")) else {
        return Err(Fault::usage(format!("{shown} needs the columns time_s and concentration")));
    };
    let mut points = Vec::new();
    let mut faults = Vec::new();
    for (row, record) in (2..).zip(reader.records()) {
        let record = match record {
            Ok(record) => record,
            Err(fault) => {
                faults.push(format!("row {row}: {fault}"));
                continue;
            }
        };
        let mut number = |place: usize, name: &str| {
            let text = record.get(place).unwrap_or_default();
            text.parse::<f64>()
                .map_err(|_| faults.push(format!("row {row}: {name} is {text:?}, must be a number")))
                .ok()
        };
        if let (Some(time_s), Some(concentration)) = (number(time, "time_s"), number(concentration, "concentration")) {
            points.push(v1::TracerPoint { time_s, concentration });
        }
    }
    if faults.is_empty() { Ok(points) } else { Err(Fault::usage(faults.join("\n"))) }
}
