//! Which file of the workspace leans on which, from the code's own imports and paths: circles and floors are computed from
//! this, so that a picture of the house cannot drift from the house.
//!
//! An arrow from file A to file B says that A imports or names something that B defines. Names are followed through `use` and `pub use`
//! to where they are defined, so a module that only hands names on is no room on the way. Tests inside a file are left out;
//! paths inside the tokens of a macro are read as far as they are written whole. A method called on a value draws no arrow.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::{Path, PathBuf};

use proc_macro2::{TokenStream, TokenTree};
use syn::visit::Visit;
use syn::{Item, UseTree};

/// A place in the code: crate name, then modules.
type Place = Vec<String>;

/// One source file as a module.
#[derive(Default)]
struct Module {
    file: PathBuf,
    /// Names it defines itself.
    defines: BTreeSet<String>,
    /// Names it imports, and the whole path of each.
    imports: HashMap<String, Place>,
    /// Modules of which it imports everything.
    globs: Vec<Place>,
    /// Paths it names in code.
    names: Vec<Place>,
}

/// Files and what each leans on.
#[derive(Default)]
pub struct House {
    modules: BTreeMap<Place, Module>,
    /// File to the files it leans on, with the names taken; paths from the root of the workspace.
    pub arrows: BTreeMap<PathBuf, BTreeMap<PathBuf, BTreeSet<String>>>,
}

impl House {
    /// Reads crates, each by its name in code and its source folder.
    ///
    /// # Errors
    /// When a file cannot be read or is no Rust.
    pub fn read(root: &Path, crates: &[(&str, &str)]) -> anyhow::Result<House> {
        let mut house = House::default();
        for (name, folder) in crates {
            house.add(root, &root.join(folder), &[(*name).to_owned()])?;
        }
        anyhow::ensure!(!house.modules.is_empty(), "no source file under {}", root.display());
        house.draw();
        Ok(house)
    }

    fn add(&mut self, root: &Path, folder: &Path, place: &[String]) -> anyhow::Result<()> {
        for entry in std::fs::read_dir(folder)? {
            let path = entry?.path();
            let stem = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
            let mut inner = place.to_vec();
            if path.is_dir() {
                // Each file under `bin` is a crate of its own.
                if stem != "bin" {
                    inner.push(stem);
                    self.add(root, &path, &inner)?;
                }
            } else if path.extension().is_some_and(|ending| ending == "rs") && stem != "main" {
                if !matches!(stem.as_str(), "mod" | "lib") {
                    inner.push(stem);
                }
                let text = std::fs::read_to_string(&path)?;
                let parsed = syn::parse_file(&text).map_err(|fault| anyhow::anyhow!("{}: {fault}", path.display()))?;
                let file = path.strip_prefix(root).unwrap_or(&path).to_owned();
                let mut reader = Reader { place: inner.clone(), module: Module { file, ..Module::default() } };
                reader.visit_file(&parsed);
                self.modules.insert(inner, reader.module);
            }
        }
        Ok(())
    }

    /// The module a path leads to, and the first name behind it.
    fn split<'a>(&self, path: &'a [String]) -> Option<(Place, Option<&'a String>)> {
        let most = (1..=path.len()).rev().find(|length| self.modules.contains_key(&path[..*length]))?;
        Some((path[..most].to_vec(), path.get(most)))
    }

    /// A path as a module writes it: from the crate it begins with, else from the module itself.
    fn from(&self, place: &Place, path: &[String]) -> Place {
        let of_crate = path.first().is_some_and(|first| self.modules.contains_key(std::slice::from_ref(first)));
        if of_crate { path.to_vec() } else { place.iter().chain(path).cloned().collect() }
    }

    /// Where the name at the end of a path is defined: its module, followed through what modules hand on.
    fn defined(&self, path: &[String], depth: usize) -> Option<Place> {
        let (place, name) = self.split(path)?;
        let module = self.modules.get(&place)?;
        let Some(name) = name else { return Some(place) };
        if module.defines.contains(name) || depth == 0 {
            return Some(place);
        }
        if let Some(target) = module.imports.get(name) {
            let rest = &path[place.len() + 1..];
            let whole: Place = target.iter().chain(rest).cloned().collect();
            return self.defined(&self.from(&place, &whole), depth - 1);
        }
        for glob in &module.globs {
            let whole: Place = glob.iter().chain(&path[place.len()..]).cloned().collect();
            let found = self.defined(&self.from(&place, &whole), depth - 1);
            if let Some(found) = found.filter(|found| self.modules[found].defines.contains(name)) {
                return Some(found);
            }
        }
        None
    }

    fn draw(&mut self) {
        let mut arrows: BTreeMap<PathBuf, BTreeMap<PathBuf, BTreeSet<String>>> = BTreeMap::new();
        for (place, module) in &self.modules {
            let own = arrows.entry(module.file.clone()).or_default();
            for path in &module.names {
                let whole = self.from(place, path);
                // A bare word is a value or a type, also where a module bears the name.
                if path.len() == 1 && self.modules.contains_key(&whole) {
                    continue;
                }
                let Some(found) = self.defined(&whole, 8) else { continue };
                let target = &self.modules[&found].file;
                if *target != module.file {
                    let name = path.last().cloned().unwrap_or_default();
                    own.entry(target.clone()).or_default().insert(name);
                }
            }
        }
        self.arrows = arrows;
    }

    /// Groups of files that lean on each other in a loop, largest first.
    pub fn circles(&self) -> Vec<Vec<PathBuf>> {
        let reach: BTreeMap<&PathBuf, BTreeSet<&PathBuf>> =
            self.arrows.keys().map(|file| (file, self.reach(file))).collect();
        let mut circles: BTreeSet<Vec<PathBuf>> = BTreeSet::new();
        for (file, reached) in &reach {
            let circle: Vec<PathBuf> = reached
                .iter()
                .filter(|other| reach.get(**other).is_some_and(|back| back.contains(*file)))
                .map(|other| (*other).clone())
                .collect();
            if circle.len() > 1 {
                circles.insert(circle);
            }
        }
        let mut circles: Vec<Vec<PathBuf>> = circles.into_iter().collect();
        circles.sort_by_key(|circle| std::cmp::Reverse(circle.len()));
        circles
    }

    fn reach<'a>(&'a self, file: &'a PathBuf) -> BTreeSet<&'a PathBuf> {
        let mut found = BTreeSet::new();
        let mut open = vec![file];
        while let Some(next) = open.pop() {
            for target in self.arrows.get(next).into_iter().flat_map(|arrows| arrows.keys()) {
                if found.insert(target) {
                    open.push(target);
                }
            }
        }
        found
    }
}

/// Reads one file.
struct Reader {
    place: Place,
    module: Module,
}

impl Reader {
    /// A path as written, with `crate`, `self` and `super` said out.
    fn whole(&self, written: &[String]) -> Place {
        let mut rest = written;
        let mut base: Option<Place> = None;
        while let Some((first, more)) = rest.split_first() {
            match first.as_str() {
                "crate" => base = Some(self.place[..1].to_vec()),
                "self" => base = base.or_else(|| Some(self.place.clone())),
                "super" => {
                    let mut up = base.unwrap_or_else(|| self.place.clone());
                    up.pop();
                    base = Some(up);
                }
                _ => break,
            }
            rest = more;
        }
        base.unwrap_or_default().into_iter().chain(rest.iter().cloned()).collect()
    }

    fn import(&mut self, tree: &UseTree, before: &[String], own: bool) {
        let with = |name: String| before.iter().cloned().chain([name]).collect::<Vec<String>>();
        match tree {
            UseTree::Path(path) => self.import(&path.tree, &with(path.ident.to_string()), own),
            UseTree::Name(name) if name.ident == "self" => {
                self.keep(before.last().cloned().unwrap_or_default(), before, own)
            }
            UseTree::Name(name) => self.keep(name.ident.to_string(), &with(name.ident.to_string()), own),
            UseTree::Rename(name) => self.keep(name.rename.to_string(), &with(name.ident.to_string()), own),
            UseTree::Glob(_) => {
                let whole = self.whole(before);
                self.module.globs.push(whole);
            }
            UseTree::Group(group) => group.items.iter().for_each(|tree| self.import(tree, before, own)),
        }
    }

    /// Keeps what a name stands for; what is handed on to others is not named here.
    fn keep(&mut self, name: String, written: &[String], own: bool) {
        let whole = self.whole(written);
        if own {
            self.module.names.push(whole.clone());
        }
        self.module.imports.insert(name, whole);
    }

    fn tokens(&mut self, tokens: TokenStream) {
        let (mut path, mut joined) = (Vec::new(), false);
        let (mut colons, mut dotted) = (0, false);
        for token in tokens {
            let member = std::mem::replace(&mut dotted, matches!(&token, TokenTree::Punct(p) if p.as_char() == '.'));
            match &token {
                // A field or a method.
                TokenTree::Ident(_) if member => continue,
                TokenTree::Ident(ident) if path.is_empty() || joined => {
                    path.push(ident.to_string());
                    (joined, colons) = (false, 0);
                    continue;
                }
                TokenTree::Punct(punct) if punct.as_char() == ':' && !path.is_empty() => {
                    colons += 1;
                    joined = colons == 2;
                    continue;
                }
                TokenTree::Group(group) => self.tokens(group.stream()),
                _ => {}
            }
            self.named(std::mem::take(&mut path));
            (joined, colons) = (false, 0);
            if let TokenTree::Ident(ident) = &token {
                path.push(ident.to_string());
            }
        }
        self.named(path);
    }

    fn named(&mut self, written: Vec<String>) {
        if !written.is_empty() {
            let whole = self.whole(&written);
            self.module.names.push(whole);
        }
    }
}

fn for_tests(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        attribute.path().is_ident("cfg")
            && attribute.meta.require_list().is_ok_and(|list| list.tokens.to_string().contains("test"))
    })
}

impl<'ast> Visit<'ast> for Reader {
    fn visit_item(&mut self, item: &'ast Item) {
        match item {
            Item::Mod(inner) if for_tests(&inner.attrs) || inner.content.is_none() => return,
            Item::Use(import) => {
                let own = matches!(import.vis, syn::Visibility::Inherited);
                return self.import(&import.tree, &[], own);
            }
            Item::Const(item) => self.module.defines.extend([item.ident.to_string()]),
            Item::Enum(item) => self.module.defines.extend([item.ident.to_string()]),
            Item::Fn(item) => self.module.defines.extend([item.sig.ident.to_string()]),
            Item::Static(item) => self.module.defines.extend([item.ident.to_string()]),
            Item::Struct(item) => self.module.defines.extend([item.ident.to_string()]),
            Item::Trait(item) => self.module.defines.extend([item.ident.to_string()]),
            Item::Type(item) => self.module.defines.extend([item.ident.to_string()]),
            Item::Macro(item) => self.module.defines.extend(item.ident.iter().map(ToString::to_string)),
            _ => {}
        }
        syn::visit::visit_item(self, item);
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        self.named(path.segments.iter().map(|segment| segment.ident.to_string()).collect());
        syn::visit::visit_path(self, path);
    }

    /// `pub(super)` names who may look in, not what is leant on.
    fn visit_visibility(&mut self, _: &'ast syn::Visibility) {}

    fn visit_macro(&mut self, found: &'ast syn::Macro) {
        self.visit_path(&found.path);
        self.tokens(found.tokens.clone());
    }
}
