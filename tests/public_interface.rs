//! What `thermal-core` offers to other programs, as a snapshot that shows in review: an item added, renamed or taken away, a
//! field, a parameter or a trait.
//!
//! It is read from the source, so that it needs no toolchain but the stable one. Each `pub` item counts: the lint
//! `unreachable_pub` refuses one that nobody outside can reach. Bodies, words and what is private are left out; `pub mod` and
//! `pub use` tell the path.
#![allow(missing_docs)]

use std::path::{Path, PathBuf};

use syn::{Attribute, Fields, ImplItem, Item, Meta, Visibility};

fn is_pub(visibility: &Visibility) -> bool {
    matches!(visibility, Visibility::Public(_))
}

/// Attributes that bind the caller; documentation and lints do not.
fn keep(attributes: &mut Vec<Attribute>) {
    attributes
        .retain(|a| ["derive", "non_exhaustive", "must_use", "cfg", "default"].iter().any(|n| a.path().is_ident(n)));
}

fn of_tests(attributes: &[Attribute]) -> bool {
    attributes
        .iter()
        .any(|a| matches!(&a.meta, Meta::List(list) if a.path().is_ident("cfg") && list.tokens.to_string() == "test"))
}

fn keep_fields(fields: &mut Fields) {
    match fields {
        Fields::Named(named) => {
            named.named = std::mem::take(&mut named.named).into_iter().filter(|f| is_pub(&f.vis)).collect();
            named.named.iter_mut().for_each(|f| keep(&mut f.attrs));
        }
        // The place of a field in a tuple counts: a private one keeps the type from being made outside.
        Fields::Unnamed(tuple) => tuple.unnamed.iter_mut().for_each(|f| keep(&mut f.attrs)),
        Fields::Unit => {}
    }
}

/// An item as a caller sees it; `None` where no caller does.
fn seen(mut item: Item) -> Option<Item> {
    let visible = match &mut item {
        Item::Const(i) => {
            keep(&mut i.attrs);
            // The type counts; a value may be measured anew.
            *i.expr = syn::parse_quote!(..);
            is_pub(&i.vis)
        }
        Item::Fn(i) => {
            keep(&mut i.attrs);
            i.block.stmts.clear();
            is_pub(&i.vis)
        }
        Item::Struct(i) => {
            keep(&mut i.attrs);
            keep_fields(&mut i.fields);
            is_pub(&i.vis)
        }
        Item::Enum(i) => {
            keep(&mut i.attrs);
            for variant in &mut i.variants {
                keep(&mut variant.attrs);
                if let Fields::Named(named) = &mut variant.fields {
                    named.named.iter_mut().for_each(|f| keep(&mut f.attrs));
                }
            }
            is_pub(&i.vis)
        }
        Item::Type(i) => {
            keep(&mut i.attrs);
            is_pub(&i.vis)
        }
        Item::Trait(i) => {
            keep(&mut i.attrs);
            is_pub(&i.vis)
        }
        Item::Mod(i) => {
            keep(&mut i.attrs);
            is_pub(&i.vis)
        }
        Item::Use(i) => {
            keep(&mut i.attrs);
            is_pub(&i.vis)
        }
        Item::Impl(i) => {
            let of_a_trait = i.trait_.is_some();
            i.items.retain_mut(|item| match item {
                ImplItem::Fn(f) => {
                    keep(&mut f.attrs);
                    f.block.stmts.clear();
                    is_pub(&f.vis)
                }
                ImplItem::Const(c) => {
                    keep(&mut c.attrs);
                    c.expr = syn::parse_quote!(..);
                    is_pub(&c.vis)
                }
                ImplItem::Type(_) => of_a_trait,
                _ => false,
            });
            keep(&mut i.attrs);
            of_a_trait || !i.items.is_empty()
        }
        _ => false,
    };
    visible.then_some(item)
}

/// Names of what the crate makes public, to leave out the traits of private types.
fn public_names(files: &[(PathBuf, syn::File)]) -> Vec<String> {
    let names = files.iter().flat_map(|(_, file)| &file.items).filter_map(|item| match item {
        Item::Struct(i) if is_pub(&i.vis) => Some(i.ident.to_string()),
        Item::Enum(i) if is_pub(&i.vis) => Some(i.ident.to_string()),
        _ => None,
    });
    names.collect()
}

fn type_name(of: &syn::Type) -> String {
    match of {
        syn::Type::Path(path) => path.path.segments.last().map(|s| s.ident.to_string()).unwrap_or_default(),
        syn::Type::Reference(reference) => type_name(&reference.elem),
        _ => String::new(),
    }
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

fn interface(root: &Path) -> String {
    let mut paths = Vec::new();
    sources(root, &mut paths);
    paths.sort();
    let files: Vec<(PathBuf, syn::File)> = paths
        .into_iter()
        .map(|path| (path.clone(), syn::parse_file(&std::fs::read_to_string(&path).unwrap()).unwrap()))
        .collect();
    let names = public_names(&files);
    let mut text = String::new();
    for (path, file) in files {
        let items: Vec<Item> = file
            .items
            .into_iter()
            .filter(|item| !matches!(item, Item::Mod(m) if of_tests(&m.attrs)))
            .filter(|item| !matches!(item, Item::Impl(i) if !names.contains(&type_name(&i.self_ty))))
            .filter_map(seen)
            .collect();
        if !items.is_empty() {
            let file = syn::File { shebang: None, frontmatter: None, attrs: Vec::new(), items };
            let place = path.strip_prefix(root).unwrap().display().to_string().replace('\\', "/");
            text.extend(["// ", &place, "\n"]);
            text.push_str(&prettyplease::unparse(&file));
            text.push('\n');
        }
    }
    text
}

/// Meant to change it? `INSTA_UPDATE=always cargo test --workspace --test public_interface` takes it over.
#[test]
fn the_public_interface_is_as_committed() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().join("thermal-core/src");
    insta::assert_snapshot!("thermal-core", interface(&root));
}

/// The check itself: each of these changes is seen, a change of a body or of words is not.
#[test]
fn a_change_of_the_interface_is_seen() {
    let folder = tempfile::tempdir().unwrap();
    let of = |source: &str| {
        std::fs::write(folder.path().join("lib.rs"), source).unwrap();
        interface(folder.path())
    };
    let plain = "/// Word.\n#[derive(Clone)]\npub struct A { pub x: f64, y: u8 }\nimpl A { pub fn f(&self, k: u8) -> u8 { k } fn g() {} }\n\
                 impl Default for A { fn default() -> A { A { x: 0.0, y: 0 } } }\nstruct B;\nimpl Clone for B {}\npub const N: u8 = 1;";
    let was = of(plain);
    assert!(was.contains("pub fn f(&self, k: u8) -> u8") && !was.contains('y') && !was.contains('B'), "{was}");
    for (from, to) in [
        ("pub x: f64", "pub x: f32"),
        ("pub x: f64", "x: f64"),
        ("k: u8) -> u8", "k: u16) -> u8"),
        ("pub fn f", "pub(crate) fn f"),
        ("derive(Clone)", "derive(Clone, Copy)"),
        ("impl Default", "impl Other"),
        ("N: u8", "N: u16"),
        ("struct B", "pub struct B"),
    ] {
        assert_ne!(of(&plain.replace(from, to)), was, "{from} -> {to}");
    }
    for (from, to) in
        [("Word", "Other word"), ("{ k }", "{ k + 1 }"), ("y: u8", "z: u8"), ("fn g()", "fn h()"), ("= 1", "= 2")]
    {
        assert_eq!(of(&plain.replace(from, to)), was, "{from} -> {to}");
    }
}
