//! Labels and codes on packs: logistic labels, labels of bulk bags and places, the code printed on a pack.
//!
//! One description of a label makes its SVG and its PDF. Sizes are those of the GS1 General Specifications for general
//! distribution: modules of 0.495 mm, bars 32 mm high, quiet zones of ten modules, the pallet number in the lowest symbol,
//! data titles in words above. A pallet of several lots shows neither lot nor date: each may stand once on a label only.

pub mod drawing;
pub mod layout;
pub mod pdf;
pub mod svg;
pub mod symbol;
pub mod text;
