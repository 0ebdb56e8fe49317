//! A paper as blocks: what it says, without how it looks.

/// Which side a column stands on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// Words.
    Left,
    /// Figures.
    Right,
}

/// A column of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Head.
    pub head: &'static str,
    /// Share of the width.
    pub share: u32,
    /// Side.
    pub align: Align,
}

/// A column of words.
pub const fn words(head: &'static str, share: u32) -> Column {
    Column { head, share, align: Align::Left }
}

/// A column of figures.
pub const fn figures(head: &'static str, share: u32) -> Column {
    Column { head, share, align: Align::Right }
}

/// A part of a paper.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// Heads a part.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// A paragraph nobody may overlook.
    Alarm(String),
    /// Names with their values, side by side in two columns.
    Facts(Vec<(&'static str, String)>),
    /// A table; the last row may be sums.
    Table {
        /// Columns.
        columns: Vec<Column>,
        /// Rows.
        rows: Vec<Vec<String>>,
        /// Sums under it; empty when there are none.
        sums: Vec<String>,
    },
    /// Bars of a share from 0 to 1, each with its name before and its figures after it.
    Bars(Vec<(String, f64, String)>),
    /// Fields to be filled in by hand, with room to sign.
    Fields(Vec<String>),
    /// What follows begins a page.
    NextPage,
}

/// A paper.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Paper {
    /// What it is, with its number.
    pub title: String,
    /// Who gives it out.
    pub from: String,
    /// What stands small at the foot of each page.
    pub foot: String,
    /// What it says.
    pub blocks: Vec<Block>,
}

impl Paper {
    /// Adds a heading.
    pub fn heading(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Heading(text.into()));
    }

    /// Adds a paragraph.
    pub fn text(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Text(text.into()));
    }

    /// Adds a paragraph nobody may overlook.
    pub fn alarm(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Alarm(text.into()));
    }

    /// Adds names with values; those without a value are left out.
    pub fn facts(&mut self, rows: Vec<(&'static str, String)>) {
        let rows: Vec<_> = rows.into_iter().filter(|(_, value)| !value.is_empty()).collect();
        if !rows.is_empty() {
            self.blocks.push(Block::Facts(rows));
        }
    }

    /// Adds bars: name, share from 0 to 1, figures.
    pub fn bars(&mut self, rows: Vec<(String, f64, String)>) {
        self.blocks.push(Block::Bars(rows));
    }

    /// Adds a table.
    pub fn table(&mut self, columns: Vec<Column>, rows: Vec<Vec<String>>, sums: Vec<String>) {
        self.blocks.push(Block::Table { columns, rows, sums });
    }
}
