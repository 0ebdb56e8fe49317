//! Drawing: scales, bars, lines and words as SVG, told by shape and word as well as by colour.
//!
//! Every picture has a title and the same figures as a table below it, since not everybody sees a picture.

use maud::{Markup, html};

/// A number for SVG: to the tenth of a unit, so that pages do not differ by noise.
pub fn at(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// A straight scale from values to places.
#[derive(Clone, Copy, Debug)]
pub struct Scale {
    low: f64,
    high: f64,
    from: f64,
    to: f64,
}

impl Scale {
    /// From `low..high` to `from..to`; an empty range is widened.
    pub fn new(low: f64, high: f64, from: f64, to: f64) -> Scale {
        let high = if high > low { high } else { low + 1.0 };
        Scale { low, high, from, to }
    }

    /// Place of a value.
    pub fn place(&self, value: f64) -> f64 {
        self.from + (value - self.low) / (self.high - self.low) * (self.to - self.from)
    }

    /// Round values inside the range, at most about `count`.
    pub fn ticks(&self, count: f64) -> Vec<f64> {
        let raw = (self.high - self.low) / count.max(1.0);
        let power = 10_f64.powf(raw.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|digit| digit * power).find(|step| *step >= raw);
        let step = step.unwrap_or(power * 10.0);
        let mut value = (self.low / step).ceil() * step;
        let mut found = Vec::new();
        while value <= self.high + step * 1e-9 && found.len() < 50 {
            found.push(if value.abs() < step * 1e-9 { 0.0 } else { value });
            value += step;
        }
        found
    }
}

/// A picture with its title, and its figures as a table below.
pub fn figure(id: &str, title: &str, size: (f64, f64), table_name: &str, drawing: Markup, table: Markup) -> Markup {
    let title_id = format!("{id}-title");
    html! {
        figure.chart tabindex="0" {
            svg viewBox={ "0 0 " (at(size.0)) " " (at(size.1)) } role="img" aria-labelledby=(title_id)
                xmlns="http://www.w3.org/2000/svg" {
                title id=(title_id) { (title) }
                (drawing)
            }
            figcaption { (title) }
        }
        details { summary { (table_name) } (table) }
    }
}

/// A rectangle.
pub fn bar(class: &str, x: f64, y: f64, width: f64, height: f64) -> Markup {
    html! { rect class=(class) x=(at(x)) y=(at(y)) width=(at(width.max(0.0))) height=(at(height.max(0.0))) {} }
}

/// A line.
pub fn line(class: &str, x1: f64, y1: f64, x2: f64, y2: f64) -> Markup {
    html! { line class=(class) x1=(at(x1)) y1=(at(y1)) x2=(at(x2)) y2=(at(y2)) {} }
}

/// Words; `anchor` is start, middle or end.
pub fn words(class: &str, x: f64, y: f64, anchor: &str, text: &str) -> Markup {
    html! { text class=(class) x=(at(x)) y=(at(y)) text-anchor=(anchor) { (text) } }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(Scale::new(0.0, 10.0, 0.0, 1.0).ticks(5.0), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(Scale::new(748.2, 756.9, 0.0, 1.0).ticks(5.0), [750.0, 752.0, 754.0, 756.0]);
        assert_eq!(Scale::new(5.0, 5.0, 0.0, 100.0).place(5.0), 0.0);
    }

    #[test]
    fn numbers_are_short() {
        assert_eq!(at(12.04), "12");
        assert_eq!(at(12.06), "12.1");
        assert_eq!(at(-0.5), "-0.5");
    }
}
