//! Fills the templates of the pages that the program writes.

use minijinja::{AutoEscape, Environment, UndefinedBehavior, Value};

use crate::{Error, Result};

/// The page `name` as HTML; a text in `values` is never taken for markup, and a value that is not there is a fault.
///
/// # Errors
/// [`Error::Argument`] where template and values do not fit, which would be a fault of this library.
pub(crate) fn fill(name: &str, template: &str, values: Value) -> Result<String> {
    let mut pages = Environment::new();
    pages.set_auto_escape_callback(|_| AutoEscape::Html);
    pages.set_undefined_behavior(UndefinedBehavior::Strict);
    pages
        .render_named_str(name, template, values)
        .map_err(|e| Error::argument(name, format!("{e:#}"), "report this as a fault of the program"))
}
