#!/bin/sh
# Formatting, lints, docs and all tests; the Python packages that some tests call go into a folder of their own.
# `sh test.sh all` also makes a release build with all features, which a few tests want and which takes some minutes more.
set -eu
cd "$(dirname "$0")"
if [ -f tests/requirements.txt ]; then
    venv="${THERMAL_VENV:-target/venv}"
    if [ ! -x "$venv/bin/python3" ]; then
        python3 -m venv "$venv"
    fi
    "$venv/bin/python3" -m pip install --quiet --disable-pip-version-check -r tests/requirements.txt
    PATH="$PWD/$venv/bin:$PATH"
    case "$venv" in /*) PATH="$venv/bin:$PATH" ;; esac
    export PATH
fi
# The pages are tested in a real browser: Debian's package, installed here where it is absent.
if ! command -v chromium >/dev/null && ! command -v google-chrome >/dev/null; then
    root=""
    [ "$(id -u)" = 0 ] || root="sudo"
    $root apt-get update -qq && $root apt-get install -y -qq --no-install-recommends chromium fonts-dejavu-core >/dev/null
fi
cargo fmt --all --check
cargo clippy --workspace --all-targets -- -D warnings
RUSTDOCFLAGS="-D warnings" cargo doc --workspace --no-deps
# `cargo install cargo-deny --locked` takes long: asked where it is there. Advisories need the network and are asked apart.
if command -v cargo-deny >/dev/null; then
    cargo deny --log-level error check licenses bans sources
    (cd fuzz && cargo deny --log-level error --config ../deny.toml check licenses bans sources)
else
    echo "skipped: cargo-deny is not installed" >&2
fi
# The release build is there for tests: its results against those of the tests' own profile, and the feature that is off.
if [ "${1:-}" = all ]; then
    cargo clippy --workspace --features thermal-cli/object-store -- -D warnings
    # As a user builds it: without Parquet.
    cargo clippy -- -D warnings
    # The oldest Rust that is promised, where it is installed (`rustup toolchain install 1.90.0`).
    if command -v rustup >/dev/null && rustup toolchain list | grep -q '^1\.90\.0'; then
        CARGO_TARGET_DIR=target/oldest cargo +1.90.0 check --workspace --locked
    else
        echo "skipped: Rust 1.90.0 is not installed" >&2
    fi
    cargo build --release --workspace --bin thermal --features thermal-cli/object-store
    THERMAL_RELEASE="${CARGO_TARGET_DIR:-$PWD/target}/release/thermal"
    export THERMAL_RELEASE
fi
# A check whose Python package is absent fails here instead of being skipped.
THERMAL_REQUIRE_PYTHON=1 cargo test --workspace
