//! A paper on sheets of A4: measured text, wrapped at words, tables with their head on each page, page numbers.

use super::paper::{Align, Block, Column, Paper};
use crate::labels::drawing::{Drawing, Item, Side};
use crate::labels::pdf::unprintable;
use crate::labels::text::{fitted, width_of, wrapped};

const WIDTH_MM: f64 = 210.0;
const HEIGHT_MM: f64 = 297.0;
const EDGE_MM: f64 = 15.0;
const INNER_MM: f64 = WIDTH_MM - 2.0 * EDGE_MM;
/// Where text must end above the foot.
const LAST_MM: f64 = HEIGHT_MM - 20.0;
/// Height of letters of text and tables, about 10 point.
const TEXT_MM: f64 = 3.5;
const LINE_MM: f64 = 5.0;
const SMALL_MM: f64 = 2.8;
/// White between columns.
const GAP_MM: f64 = 2.0;

struct Sheets<'a> {
    paper: &'a Paper,
    done: Vec<Drawing>,
    page: Drawing,
    y: f64,
    /// True once a letter had to be left out that the font does not have.
    left_out: bool,
}

/// What stands for a letter the font does not have.
const LEFT_OUT: char = '\u{25a1}';

impl Sheets<'_> {
    fn put(&mut self, x: f64, y: f64, size: f64, bold: bool, text: &str) {
        let mut text = text.replace('\u{a0}', " ");
        while let Some(letter) = unprintable(&text, bold) {
            text = text.replace(letter, &LEFT_OUT.to_string());
            self.left_out = true;
        }
        self.page.items.push(Item::Text { x, y, size, bold, side: Side::Left, text });
    }

    fn next_page(&mut self) {
        let next = Drawing::new(WIDTH_MM, HEIGHT_MM, self.paper.title.clone());
        self.done.push(std::mem::replace(&mut self.page, next));
        let title = self.paper.title.clone();
        self.put(EDGE_MM, 18.0, TEXT_MM, true, &title);
        self.page.bar(EDGE_MM, 20.0, INNER_MM, 0.2);
        self.y = 27.0;
    }

    /// Makes room on this page, or begins the next; true when it did.
    fn room(&mut self, height: f64) -> bool {
        let over = self.y + height > LAST_MM;
        if over {
            self.next_page();
        }
        over
    }

    fn paragraph(&mut self, text: &str, size: f64, bold: bool) {
        let (size, lines) = fitted(text, INNER_MM, size, bold);
        for line in lines {
            self.room(LINE_MM);
            let y = self.y;
            self.put(EDGE_MM, y, size, bold, &line);
            self.y += size * 1.4;
        }
    }

    fn facts(&mut self, rows: &[(&'static str, String)]) {
        let half = INNER_MM / 2.0;
        let name_width = 30.0;
        for pair in rows.chunks(2) {
            let lines: Vec<(f64, Vec<String>)> =
                pair.iter().map(|(_, value)| fitted(value, half - name_width - GAP_MM, TEXT_MM, true)).collect();
            let height = lines.iter().map(|(_, lines)| lines.len()).max().unwrap_or(1) as f64 * LINE_MM;
            self.room(height);
            let top = self.y;
            for (place, ((name, _), (size, lines))) in pair.iter().zip(&lines).enumerate() {
                let x = EDGE_MM + half * place as f64;
                self.put(x, top, SMALL_MM, false, name);
                for (row, line) in lines.iter().enumerate() {
                    self.put(x + name_width, top + LINE_MM * row as f64, *size, true, line);
                }
            }
            self.y += height;
        }
        self.y += 2.0;
    }

    fn cells(&mut self, columns: &[Column], cells: &[String], bold: bool, size: f64) -> f64 {
        let total: u32 = columns.iter().map(|column| column.share).sum();
        let width = |column: &Column| INNER_MM * f64::from(column.share) / f64::from(total.max(1)) - GAP_MM;
        let lines: Vec<(f64, Vec<String>)> = columns
            .iter()
            .enumerate()
            .map(|(place, column)| fitted(cells.get(place).map_or("", String::as_str), width(column), size, bold))
            .collect();
        // A cell longer than a page is cut: what is left out has no place on paper.
        let most = ((LAST_MM - 45.0) / (size * 1.35)) as usize;
        let count = lines.iter().map(|(_, lines)| lines.len()).max().unwrap_or(1).min(most);
        let height = count as f64 * (size * 1.35) + 1.6;
        if self.y + height > LAST_MM && self.y > 40.0 {
            self.next_page();
            if !bold && size > SMALL_MM {
                self.head(columns);
            }
        }
        let top = self.y;
        let mut x = EDGE_MM;
        for (column, (own, lines)) in columns.iter().zip(&lines) {
            for (row, line) in lines.iter().take(most).enumerate() {
                let y = top + size * 1.35 * row as f64;
                let left = match column.align {
                    Align::Left => x,
                    Align::Right => x + width(column) - width_of(line, *own, bold),
                };
                self.put(left, y, *own, bold, line);
            }
            x += width(column) + GAP_MM;
        }
        self.y += height;
        height
    }

    fn head(&mut self, columns: &[Column]) {
        let heads: Vec<String> = columns.iter().map(|column| column.head.to_owned()).collect();
        self.cells(columns, &heads, false, SMALL_MM);
        let y = self.y - 3.6;
        self.page.bar(EDGE_MM, y, INNER_MM, 0.3);
        self.y += 1.2;
    }

    fn table(&mut self, columns: &[Column], rows: &[Vec<String>], sums: &[String]) {
        self.room(3.0 * LINE_MM);
        self.head(columns);
        for row in rows {
            if self.room(2.0 * LINE_MM) {
                self.head(columns);
            }
            self.cells(columns, row, false, TEXT_MM);
            let y = self.y - 4.2;
            self.page.bar(EDGE_MM, y, INNER_MM, 0.1);
        }
        if !sums.is_empty() {
            if self.room(2.0 * LINE_MM) {
                self.head(columns);
            }
            self.y += 0.6;
            self.cells(columns, sums, true, TEXT_MM);
        }
        self.y += 2.0;
    }

    fn bars(&mut self, rows: &[(String, f64, String)]) {
        let (name_mm, bar_mm) = (24.0, 90.0);
        for (name, share, figures) in rows {
            self.room(LINE_MM + 1.0);
            let y = self.y;
            let right = EDGE_MM + name_mm - GAP_MM - width_of(name, TEXT_MM, false);
            self.put(right, y, TEXT_MM, false, name);
            let width = bar_mm * share.clamp(0.0, 1.0);
            self.page.bar(EDGE_MM + name_mm, y - 3.4, 0.3, LINE_MM - 0.4);
            if width > 0.0 {
                self.page.bar(EDGE_MM + name_mm, y - 3.4, width.max(0.3), LINE_MM - 0.8);
            }
            self.put(EDGE_MM + name_mm + bar_mm + GAP_MM, y, SMALL_MM, false, figures);
            self.y += LINE_MM + 1.0;
        }
        self.y += 2.0;
    }

    fn fields(&mut self, names: &[String]) {
        let half = INNER_MM / 2.0;
        for pair in names.chunks(2) {
            self.room(22.0);
            let top = self.y;
            for (place, name) in pair.iter().enumerate() {
                let x = EDGE_MM + half * place as f64;
                for (row, line) in wrapped(name, half - 4.0, SMALL_MM, false).iter().enumerate() {
                    self.put(x, top + SMALL_MM * 1.3 * row as f64, SMALL_MM, false, line);
                }
                self.page.bar(x, top + 14.0, half - 6.0, 0.2);
            }
            self.y += 21.0;
        }
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading(text) => {
                // A heading stays with what it heads.
                self.room(6.0 * LINE_MM);
                self.y += 2.0;
                self.paragraph(text, 4.2, true);
                self.y += 1.0;
            }
            Block::Text(text) => {
                self.paragraph(text, TEXT_MM, false);
                self.y += 1.0;
            }
            Block::Alarm(text) => {
                self.room(3.0 * LINE_MM);
                self.y += 2.0;
                let top = self.y;
                self.page.bar(EDGE_MM, top - 4.0, INNER_MM, 0.6);
                self.y += 2.0;
                self.paragraph(text, 4.0, true);
                let bottom = self.y;
                self.page.bar(EDGE_MM, bottom - 3.0, INNER_MM, 0.6);
                self.y += 4.0;
            }
            Block::Facts(rows) => self.facts(rows),
            Block::Table { columns, rows, sums } => self.table(columns, rows, sums),
            Block::Bars(rows) => self.bars(rows),
            Block::Fields(names) => self.fields(names),
            Block::NextPage => self.next_page(),
        }
    }
}

/// The paper as pages.
pub fn pages(paper: &Paper) -> Vec<Drawing> {
    let page = Drawing::new(WIDTH_MM, HEIGHT_MM, paper.title.clone());
    let mut sheets = Sheets { paper, done: Vec::new(), page, y: 20.0, left_out: false };
    sheets.put(EDGE_MM, 16.0, TEXT_MM, false, &paper.from);
    sheets.y = 26.0;
    sheets.paragraph(&paper.title, 6.5, true);
    sheets.y += 1.0;
    for block in &paper.blocks {
        sheets.block(block);
    }
    if sheets.left_out {
        sheets.block(&Block::Alarm(format!(
            "{LEFT_OUT} stands for a letter that the font of this paper does not have. Ask for the page (HTML): it shows every letter."
        )));
    }
    let Sheets { mut done, page, .. } = sheets;
    done.push(page);
    let count = done.len();
    for (place, page) in done.iter_mut().enumerate() {
        let number = format!("Page {} of {count}", place + 1);
        let left = WIDTH_MM - EDGE_MM - width_of(&number, SMALL_MM, false);
        for (x, text) in [(EDGE_MM, paper.foot.as_str()), (left, &number)] {
            let text = text.to_owned();
            let y = HEIGHT_MM - 10.0;
            page.items.push(Item::Text { x, y, size: SMALL_MM, bold: false, side: Side::Left, text });
        }
    }
    done
}
