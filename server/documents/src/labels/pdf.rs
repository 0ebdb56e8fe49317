//! A label as PDF, the same drawing as the SVG: PDF/A-2b, fonts embedded, the same bytes for the same label.

use std::sync::OnceLock;

use krilla::color::rgb;
use krilla::configure::{Archival, ConfigurationBuilder};
use krilla::geom::{PathBuilder, Point, Rect};
use krilla::metadata::{DateTime, Metadata};
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule};
use krilla::text::{Font, TextDirection};
use krilla::{Document, SerializeSettings};
use skrifa::MetadataProvider as _;
use skrifa::instance::{LocationRef, Size};
use skrifa::raw::FontRef;

use super::drawing::{Drawing, Item, Side};
use super::text::{pieces, width_of};

/// Points of a millimetre.
const MM: f64 = 72.0 / 25.4;

static PLAIN: &[u8] = include_bytes!("../../assets/sans.ttf");
static BOLD: &[u8] = include_bytes!("../../assets/sans-bold.ttf");

fn font(bold: bool) -> Option<Font> {
    static FONTS: OnceLock<[Option<Font>; 2]> = OnceLock::new();
    let fonts = FONTS.get_or_init(|| [Font::new(PLAIN.into(), 0), Font::new(BOLD.into(), 0)]);
    fonts[usize::from(bold)].clone()
}

/// The font as bytes.
pub(super) fn bytes_of(bold: bool) -> &'static [u8] {
    if bold { BOLD } else { PLAIN }
}

/// Width of a text in millimetres, letter by letter, by the font's own figures.
pub(super) fn plain_width(text: &str, size: f64, bold: bool) -> f64 {
    let Ok(font) = FontRef::new(if bold { BOLD } else { PLAIN }) else { return 0.0 };
    let metrics = font.glyph_metrics(Size::new(1.0), LocationRef::default());
    let letters = font.charmap();
    let advance = |c: char| letters.map(c).and_then(|glyph| metrics.advance_width(glyph)).unwrap_or(0.6);
    text.chars().map(|c| f64::from(advance(c))).sum::<f64>() * size
}

/// First letter of a text that the font does not have.
pub(crate) fn unprintable(text: &str, bold: bool) -> Option<char> {
    let font = FontRef::new(if bold { BOLD } else { PLAIN }).ok()?;
    let letters = font.charmap();
    text.chars().find(|c| letters.map(*c).is_none())
}

/// Pages of drawings as one document, made on a day of UTC.
///
/// # Errors
/// Why it could not be made, in words.
pub fn pdf(drawings: &[Drawing], made_on: (u16, u8, u8)) -> Result<Vec<u8>, String> {
    for drawing in drawings {
        for item in &drawing.items {
            if let Item::Text { text, bold, .. } = item
                && let Some(letter) = unprintable(text, *bold)
            {
                return Err(format!(
                    "the letter {letter:?} is not in the font of papers and labels: ask for the page instead"
                ));
            }
        }
    }
    let configuration = ConfigurationBuilder::new().with_archival_validator(Archival::A2_B).finish();
    let settings = SerializeSettings {
        configuration: configuration.map_err(|fault| format!("{fault:?}"))?,
        ..SerializeSettings::default()
    };
    let mut document = Document::new_with(settings);
    for drawing in drawings {
        let point = |value: f64| (value * MM) as f32;
        let size = PageSettings::from_wh(point(drawing.width), point(drawing.height)).ok_or("has no size")?;
        let mut page = document.start_page_with(size);
        let mut surface = page.surface();
        surface.set_fill(Some(Fill {
            paint: rgb::Color::new(0, 0, 0).into(),
            rule: FillRule::NonZero,
            ..Fill::default()
        }));
        for item in &drawing.items {
            match item {
                Item::Bar { x, y, width, height } => {
                    let mut path = PathBuilder::new();
                    let rect = Rect::from_xywh(point(*x), point(*y), point(*width), point(*height));
                    path.push_rect(rect.ok_or("a bar has no size")?);
                    surface.draw_path(&path.finish().ok_or("a bar has no size")?);
                }
                Item::Text { x, y, size, bold, side, text } => {
                    let font = font(*bold).ok_or("the font cannot be read")?;
                    let left = match side {
                        Side::Left => *x,
                        Side::Middle => x - width_of(text, *size, *bold) / 2.0,
                    };
                    for piece in pieces(text, *size, *bold) {
                        let start = Point::from_xy(point(left + piece.x), point(*y));
                        let way = match piece.leftward {
                            true => TextDirection::RightToLeft,
                            false => TextDirection::LeftToRight,
                        };
                        surface.draw_text(start, font.clone(), point(*size), &piece.text, false, way);
                    }
                }
            }
        }
        surface.finish();
        page.finish();
    }
    let (year, month, day) = made_on;
    let title = drawings.first().map(|drawing| drawing.title.clone()).unwrap_or_default();
    document.set_metadata(
        Metadata::new().title(title).language("en".into()).creation_date(DateTime::new(year).month(month).day(day)),
    );
    document.finish().map_err(|fault| format!("{fault:?}"))
}
