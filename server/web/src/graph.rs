//! A trace as a picture: lots, bags, packs, pallets and where they are, from left to right, as bands as wide as their mass.
//!
//! Order within a column comes from a layout library (layered drawing, few crossings); places and bands are ours, since a
//! band's width must be its mass. What is likely is drawn full, what is possible half, what only shares the clean span light
//! and dashed, so that the three can be told apart without colour.

use std::collections::{BTreeMap, HashMap};

use maud::{Markup, html};

use super::ctx::Ctx;
use super::picture::{at, words};

/// Columns of a picture.
pub const COLUMNS: usize = 5;
const NODE_WIDTH: f64 = 142.0;
const STEP: f64 = 178.0;
const GAP: f64 = 10.0;
const LEAST_HEIGHT: f64 = 46.0;
/// Height that the heaviest column fills at least.
const HEIGHT: f64 = 300.0;
/// Most nodes the layout library is asked to order; more are kept as they come.
const ORDERED_MAX_COUNT: usize = 200;

/// How sure it is that something belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Set {
    /// In the same clean span only.
    CleanSpan,
    /// Possible.
    Possible,
    /// Likely.
    Likely,
}

impl Set {
    /// Class for drawing.
    pub fn class(self) -> &'static str {
        match self {
            Set::Likely => "likely",
            Set::Possible => "possible",
            Set::CleanSpan => "span",
        }
    }
}

/// A strip of packs with the nested sets on it, as shares of the strip from 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strip {
    /// Possible packs.
    pub possible: Option<(f64, f64)>,
    /// Likely packs.
    pub likely: Option<(f64, f64)>,
}

/// Something in the picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// What tells it from others.
    pub key: String,
    /// Column, from 0.
    pub column: usize,
    /// First line.
    pub label: String,
    /// Second line.
    pub note: String,
    /// Page it leads to.
    pub href: String,
    /// How sure.
    pub set: Set,
    /// True when something holds it.
    pub held: bool,
    /// Sets within it.
    pub strip: Option<Strip>,
}

/// A band between two.
#[derive(Clone, Debug, PartialEq)]
struct Band {
    from: usize,
    to: usize,
    mass: f64,
    set: Set,
}

/// A picture being made.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Graph {
    nodes: Vec<Node>,
    bands: Vec<Band>,
    by_key: HashMap<String, usize>,
}

/// Where something was put.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Left.
    pub x: f64,
    /// Top.
    pub y: f64,
    /// Height.
    pub height: f64,
}

/// True when places fall while the order in which things were added rises.
fn falls(rows: &[(usize, (f64, f64))]) -> bool {
    let count = rows.len().max(1) as f64;
    let mean_node = rows.iter().map(|(node, _)| *node as f64).sum::<f64>() / count;
    let mean_x = rows.iter().map(|(_, (x, _))| x).sum::<f64>() / count;
    rows.iter().map(|(node, (x, _))| (*node as f64 - mean_node) * (x - mean_x)).sum::<f64>() < 0.0
}

/// As many characters as fit a width, with a mark when some are left out.
fn fitting(text: &str, width: f64, per_character: f64) -> String {
    let most = (width / per_character) as usize;
    if text.chars().count() <= most {
        return text.to_owned();
    }
    text.chars().take(most.saturating_sub(1)).chain(['\u{2026}']).collect()
}

impl Graph {
    /// Adds something, or makes it surer when it is there.
    pub fn add(&mut self, node: Node) {
        match self.by_key.get(&node.key) {
            Some(index) => {
                let known = &mut self.nodes[*index];
                known.set = known.set.max(node.set);
                known.held |= node.held;
            }
            None => {
                self.by_key.insert(node.key.clone(), self.nodes.len());
                self.nodes.push(node);
            }
        }
    }

    /// Adds mass going from one to another; both must be there.
    pub fn join(&mut self, from: &str, to: &str, mass: f64, set: Set) {
        let (Some(from), Some(to)) = (self.by_key.get(from), self.by_key.get(to)) else { return };
        match self.bands.iter_mut().find(|band| band.from == *from && band.to == *to) {
            Some(band) => {
                band.mass += mass;
                band.set = band.set.max(set);
            }
            None => self.bands.push(Band { from: *from, to: *to, mass, set }),
        }
    }

    /// Gives something other words.
    pub fn rename(&mut self, key: &str, label: String, note: String) {
        if let Some(index) = self.by_key.get(key) {
            self.nodes[*index].label = label;
            self.nodes[*index].note = note;
        }
    }

    /// How many things there are.
    pub fn len(&self) -> usize {
        self.nodes.len()
    }

    fn mass(&self, node: usize) -> f64 {
        let sum = |own: &dyn Fn(&Band) -> bool| self.bands.iter().filter(|b| own(b)).map(|b| b.mass).sum::<f64>();
        sum(&|band| band.from == node).max(sum(&|band| band.to == node))
    }

    /// Nodes of each column in an order with few crossings.
    fn columns(&self) -> Vec<Vec<usize>> {
        let mut order: BTreeMap<usize, (usize, f64)> = BTreeMap::new();
        if self.nodes.len() <= ORDERED_MAX_COUNT && !self.bands.is_empty() {
            let vertices: Vec<(u32, (f64, f64))> =
                (0..self.nodes.len()).filter_map(|node| Some((u32::try_from(node).ok()?, (1.0, 1.0)))).collect();
            let edges: Vec<(u32, u32)> = self
                .bands
                .iter()
                .filter_map(|band| Some((u32::try_from(band.from).ok()?, u32::try_from(band.to).ok()?)))
                .collect();
            let config = rust_sugiyama::configure::Config { transpose: false, ..Default::default() };
            let laid = std::panic::catch_unwind(|| rust_sugiyama::from_vertices_and_edges(&vertices, &edges, &config));
            for (part, (rows, ..)) in laid.unwrap_or_default().into_iter().enumerate() {
                // The library does not mind which way round; packs run from the first at the top to the last.
                let turn = if falls(&rows) { -1.0 } else { 1.0 };
                order.extend(rows.into_iter().map(|(node, (x, _))| (node, (part, turn * x))));
            }
        }
        let mut columns = vec![Vec::new(); COLUMNS];
        for (node, known) in self.nodes.iter().enumerate() {
            columns[known.column.min(COLUMNS - 1)].push(node);
        }
        for column in &mut columns {
            // Parts of the picture stay together; within one the library's order counts.
            column.sort_by(|a, b| {
                let place = |node: &usize| order.get(node).copied().unwrap_or((usize::MAX, 0.0));
                let ((part_a, x_a), (part_b, x_b)) = (place(a), place(b));
                part_a.cmp(&part_b).then(x_a.total_cmp(&x_b)).then(a.cmp(b))
            });
        }
        columns.retain(|column| !column.is_empty());
        columns
    }

    /// Places of all nodes, the width and height of the picture, and units of height per mass.
    pub fn places(&self) -> (Vec<Place>, f64, f64, f64) {
        let columns = self.columns();
        let total = |column: &Vec<usize>| column.iter().map(|node| self.mass(*node)).sum::<f64>();
        let heaviest = columns.iter().map(total).fold(1.0, f64::max);
        let scale = HEIGHT / heaviest;
        let tall = |node: usize| (self.mass(node) * scale).max(LEAST_HEIGHT);
        let column_height = |column: &Vec<usize>| column.iter().map(|n| tall(*n) + GAP).sum::<f64>();
        let height = columns.iter().map(column_height).fold(0.0, f64::max);
        let mut places = vec![Place { x: 0.0, y: 0.0, height: 0.0 }; self.nodes.len()];
        for (number, column) in columns.iter().enumerate() {
            let mut y = (height - column_height(column)) / 2.0 + GAP / 2.0;
            for node in column {
                places[*node] = Place { x: number as f64 * STEP, y, height: tall(*node) };
                y += tall(*node) + GAP;
            }
        }
        let width = columns.len().max(1) as f64 * STEP - (STEP - NODE_WIDTH);
        (places, width, height, scale)
    }

    /// Bands as paths with their class, widest first so that thin ones stay seen.
    fn paths(&self, places: &[Place], scale: f64) -> Vec<(String, String)> {
        let mut out = vec![0.0; self.nodes.len()];
        let mut into = vec![0.0; self.nodes.len()];
        let sums = |own: &dyn Fn(&Band) -> usize| {
            let mut sums = vec![0.0; self.nodes.len()];
            for band in &self.bands {
                sums[own(band)] += (band.mass * scale).max(1.5);
            }
            sums
        };
        let (out_sum, in_sum) = (sums(&|band| band.from), sums(&|band| band.to));
        let mut order: Vec<&Band> = self.bands.iter().collect();
        order.sort_by(|a, b| {
            let key = |band: &Band| (places[band.from].y, places[band.to].y);
            let ((a1, a2), (b1, b2)) = (key(a), key(b));
            a1.total_cmp(&b1).then(a2.total_cmp(&b2))
        });
        let mut found = Vec::new();
        for band in order {
            let (from, to) = (places[band.from], places[band.to]);
            let wide = (band.mass * scale).max(1.5);
            // Bands that are wider together than their node share its side.
            let squeeze = |sum: f64, height: f64| if sum > height { height / sum } else { 1.0 };
            let (a, b) = (squeeze(out_sum[band.from], from.height), squeeze(in_sum[band.to], to.height));
            let start = |place: Place, sum: f64, squeeze: f64| place.y + (place.height - sum * squeeze) / 2.0;
            let y1 = start(from, out_sum[band.from], a) + out[band.from];
            let y2 = start(to, in_sum[band.to], b) + into[band.to];
            out[band.from] += wide * a;
            into[band.to] += wide * b;
            let (x1, x2) = (from.x + NODE_WIDTH, to.x);
            let middle = (x1 + x2) / 2.0;
            let path = format!(
                "M{x1} {y1}C{m} {y1} {m} {y2} {x2} {y2}L{x2} {y4}C{m} {y4} {m} {y3} {x1} {y3}Z",
                x1 = at(x1),
                x2 = at(x2),
                m = at(middle),
                y1 = at(y1),
                y2 = at(y2),
                y3 = at(y1 + wide * a),
                y4 = at(y2 + wide * b)
            );
            found.push((format!("flow {}", band.set.class()), path));
        }
        found
    }

    /// Draws it.
    pub fn draw(&self, title: &str, speak: &dyn Fn(&Node) -> String) -> Markup {
        let (places, width, height, scale) = self.places();
        html! {
            svg.trace viewBox={ "-2 -2 " (at(width + 4.0)) " " (at(height + 4.0)) } role="group" aria-label=(title)
                xmlns="http://www.w3.org/2000/svg" {
                title { (title) }
                defs {
                    pattern #half width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                        rect class="half" width="3" height="6" {}
                    }
                }
                @for (class, path) in self.paths(&places, scale) { path class=(class) d=(path) {} }
                // Column by column, top down: the order in which a keyboard goes through them.
                @for index in self.columns().into_iter().flatten() { (draw_node(&self.nodes[index], places[index], &speak(&self.nodes[index]))) }
            }
        }
    }
}

/// What somebody hears who cannot see the picture.
pub fn spoken(ctx: &Ctx, node: &Node) -> String {
    let set = match node.set {
        Set::Likely => String::new(),
        Set::Possible => format!(", {}", ctx.t("possible")),
        Set::CleanSpan => format!(", {}", ctx.t("same clean span")),
    };
    let held = if node.held { format!(", {}", ctx.t("on hold")) } else { String::new() };
    let shown = |text: &str, each: f64| fitting(text, NODE_WIDTH - 22.0, each);
    format!("{} {}{set}{held}", shown(&node.label, 8.4), shown(&node.note, 6.9))
}

fn draw_node(node: &Node, place: Place, spoken: &str) -> Markup {
    let class = format!("node {}{}", node.set.class(), if node.held { " held" } else { "" });
    let middle = place.y + place.height / 2.0;
    let inner = html! {
        rect class=(class) x=(at(place.x)) y=(at(place.y)) width=(at(NODE_WIDTH)) height=(at(place.height)) rx="6" {}
        @if let Some(strip) = node.strip {
            @let bar = |part: Option<(f64, f64)>, class: &str| html! {
                @if let Some((from, to)) = part {
                    rect class=(class) x=(at(place.x + 4.0)) y=(at(place.y + 4.0 + from * (place.height - 8.0)))
                        width="8" height=(at(((to - from) * (place.height - 8.0)).max(2.0))) {}
                }
            };
            (bar(Some((0.0, 1.0)), "strip span")) (bar(strip.possible, "strip possible")) (bar(strip.likely, "strip likely"))
        }
        (words("name", place.x + 18.0, middle - 2.0, "start", &fitting(&node.label, NODE_WIDTH - 22.0, 8.4))) " "
        (words("note", place.x + 18.0, middle + 14.0, "start", &fitting(&node.note, NODE_WIDTH - 22.0, 6.9)))
    };
    html! {
        @if node.href.is_empty() { g { (inner) } } @else { a href=(node.href) aria-label=(spoken) { (inner) } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node(key: &str, column: usize) -> Node {
        let (label, note, href) = (key.to_owned(), String::new(), String::new());
        Node { key: key.into(), column, label, note, href, set: Set::CleanSpan, held: false, strip: None }
    }

    fn sample() -> Graph {
        let mut graph = Graph::default();
        for (key, column) in [("lot", 0), ("bag1", 1), ("bag2", 1), ("packs", 2), ("p1", 3), ("p2", 3), ("far", 4)] {
            graph.add(node(key, column));
        }
        for (from, to, mass) in [
            ("lot", "bag1", 3.0),
            ("lot", "bag2", 1.0),
            ("bag1", "packs", 3.0),
            ("bag2", "packs", 1.0),
            ("packs", "p1", 2.0),
            ("packs", "p2", 2.0),
            ("p1", "far", 2.0),
        ] {
            graph.join(from, to, mass, Set::Likely);
        }
        graph
    }

    #[test]
    fn columns_follow_each_other_and_nothing_overlaps() {
        let graph = sample();
        let (places, width, height, _) = graph.places();
        for (a, first) in places.iter().enumerate() {
            assert!(first.x >= 0.0 && first.x + NODE_WIDTH <= width + 1e-9 && first.y + first.height <= height + 1e-9);
            for (b, second) in places.iter().enumerate().filter(|(b, _)| *b > a) {
                let apart = first.y + first.height <= second.y || second.y + second.height <= first.y;
                assert!((first.x - second.x).abs() > 1.0 || apart, "{a} over {b}");
            }
        }
        assert!(places[0].x < places[1].x && places[1].x < places[3].x && places[3].x < places[6].x);
    }

    #[test]
    fn bands_are_as_wide_as_their_mass() {
        let graph = sample();
        let (places, _, _, scale) = graph.places();
        assert!((scale - HEIGHT / 4.0).abs() < 1e-9);
        assert_eq!(graph.paths(&places, scale).len(), 7);
        // Bag 1 carries three times what bag 2 does.
        assert!((places[1].height / (3.0 * scale) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_added_twice_is_there_once_and_as_sure_as_the_surest() {
        let mut graph = sample();
        graph.add(Node { set: Set::Likely, held: true, ..node("p1", 3) });
        assert_eq!(graph.len(), 7);
        assert_eq!(graph.nodes[4].set, Set::Likely);
        assert!(graph.nodes[4].held);
    }

    #[test]
    fn an_empty_picture_can_be_drawn() {
        assert!(Graph::default().draw("nothing", &|node| node.label.clone()).into_string().contains("<svg"));
    }
}
