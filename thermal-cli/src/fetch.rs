//! `thermal fetch`: brings an inspection folder from an object store to this machine. Built with the feature `object-store`.

use std::fs::{self, File};
use std::path::{Component, Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, SystemTime};

use futures_util::{StreamExt, TryStreamExt, stream};
use object_store::aws::{AmazonS3, AmazonS3Builder};
use object_store::{ObjectMeta, ObjectStore, ObjectStoreExt, RetryConfig, path::Path as Key};
use thermal_core::Error;
use thermal_core::output::write_atomic;

use crate::{
    PARTLY,
    console::{Console, print},
    failure::Failure,
};

/// Objects on their way at the same time.
const AT_ONCE: usize = 8;
/// No frame and no table of a flight is larger.
const MAX_OBJECT_BYTES: u64 = 256 << 20;
/// What an inspection folder holds beside `frames/`; other objects are left where they are.
const TABLES: [&str; 4] = ["inspection.toml", "frames.csv", "irradiance.csv", "layout.geojson"];

/// For the thermographer whose flights lie in an object store: copies an inspection folder from there to this machine
///
/// What is here already and is the same is not fetched again, so that a fetch that was stopped goes on with the same
/// command. Address and keys come from the usual variables: `AWS_ENDPOINT_URL`, `AWS_ALLOW_HTTP`, `AWS_REGION`,
/// `AWS_ACCESS_KEY_ID`, `AWS_SECRET_ACCESS_KEY`.
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  thermal fetch s3://flights/2026/quarry quarry\n  thermal inspect quarry --out quarry-run"
)]
pub(crate) struct Args {
    /// Bucket and prefix under which frames/ and the tables lie
    #[arg(value_name = "s3://BUCKET/PREFIX")]
    from: String,
    /// Folder to make or to complete
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Replace files that are here and are others than those in the store
    #[arg(long)]
    force: bool,
}

/// What became of an object.
#[derive(PartialEq)]
enum Done {
    Fetched,
    Same,
    Kept,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let (bucket, prefix) = address(&args.from)?;
    // TLS by ring: it is smaller than the usual choice and needs no further tool to build. Set twice is set as well.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let retry = RetryConfig { max_retries: 4, retry_timeout: Duration::from_secs(60), ..RetryConfig::default() };
    let store = AmazonS3Builder::from_env().with_bucket_name(bucket).with_retry(retry).build();
    let store = store.map_err(|e| args.failed("open the store", &e))?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::Runtime(format!("the fetch cannot start: {e}")))?;
    let done = runtime.block_on(fetch(args, &store, &prefix, console))?;
    let count = |of: Done| done.iter().filter(|d| **d == of).count();
    let kept = count(Done::Kept);
    print(&format!(
        "{}: {} fetched, {} were here{}",
        args.folder.display(),
        count(Done::Fetched),
        count(Done::Same),
        if kept == 0 { String::new() } else { format!(", {kept} others kept") }
    ))?;
    Ok(if kept == 0 { ExitCode::SUCCESS } else { ExitCode::from(PARTLY) })
}

impl Args {
    fn failed(&self, what: &str, why: &dyn std::error::Error) -> Failure {
        let why = why.to_string().replace('\n', " ");
        let remedy = "see to the address, the network and the AWS_ variables, and give the same command again to go on";
        Failure::Runtime(format!("{}: cannot {what}: {why}; {remedy}", self.from))
    }
}

/// Bucket and prefix of `s3://BUCKET/PREFIX`.
fn address(from: &str) -> Result<(&str, Key), Failure> {
    let refuse = |reason: &str| {
        Failure::Library(Error::argument(from, reason, "give s3://BUCKET/PREFIX such as s3://flights/2026/quarry"))
    };
    let rest = from.strip_prefix("s3://").ok_or_else(|| refuse("it is no address of a store that is known"))?;
    let (bucket, prefix) = rest.split_once('/').unwrap_or((rest, ""));
    if bucket.is_empty() {
        return Err(refuse("it names no bucket"));
    }
    Ok((bucket, Key::parse(prefix).map_err(|_| refuse("its prefix is none"))?))
}

/// Where an object goes; `None` for what is no part of an inspection folder, or would lie outside it.
fn place(folder: &Path, prefix: &Key, key: &Key) -> Option<PathBuf> {
    let parts: Vec<String> = key.prefix_match(prefix)?.map(|part| part.as_ref().to_owned()).collect();
    let relative = parts.join("/");
    let wanted = TABLES.contains(&relative.as_str()) || (parts.len() > 1 && parts[0] == "frames");
    let path = Path::new(&relative);
    let inside = path.components().all(|c| matches!(c, Component::Normal(_))) && !relative.contains(['\\', ':', '\0']);
    (wanted && inside).then(|| folder.join(path))
}

/// Lists what lies under the prefix and brings it here.
async fn fetch(args: &Args, store: &AmazonS3, prefix: &Key, console: Console) -> Result<Vec<Done>, Failure> {
    let listed: Vec<ObjectMeta> =
        store.list(Some(prefix)).try_collect().await.map_err(|e| args.failed("list what lies there", &e))?;
    let objects: Vec<(PathBuf, ObjectMeta)> =
        listed.into_iter().filter_map(|o| Some((place(&args.folder, prefix, &o.location)?, o))).collect();
    if !objects.iter().any(|(path, _)| path.starts_with(args.folder.join("frames"))) {
        let why = std::io::Error::other("no object lies in frames/ under this prefix");
        return Err(args.failed("find a flight", &why));
    }
    let bar = console.progress(objects.len() as u64, "objects");
    let done = stream::iter(objects)
        .map(|(path, object)| {
            let bar = &bar;
            async move {
                let done = bring(args, store, &path, &object).await;
                bar.inc(1);
                done
            }
        })
        .buffer_unordered(AT_ONCE)
        .try_collect()
        .await;
    bar.finish_and_clear();
    done
}

/// Brings one object to its place, where it stands whole or not at all, with the time of the object.
async fn bring(args: &Args, store: &AmazonS3, path: &Path, object: &ObjectMeta) -> Result<Done, Failure> {
    let time: SystemTime = object.last_modified.into();
    if let Ok(here) = fs::symlink_metadata(path) {
        if here.is_file() && here.len() == object.size && here.modified().is_ok_and(|t| t == time) {
            return Ok(Done::Same);
        }
        if !args.force || !here.is_file() {
            let remedy = "it was not fetched; give --force to replace it";
            Console::warn(&format!("{}: another file stands here already; {remedy}", path.display()));
            return Ok(Done::Kept);
        }
    }
    if object.size > MAX_OBJECT_BYTES {
        let reason = format!("the object holds {} bytes, more than any frame or table", object.size);
        return Err(Error::input(path, "object", reason, "remove it from the flight").into());
    }
    let failed = |e| args.failed(&format!("fetch {}", object.location), &e);
    let bytes = store.get(&object.location).await.map_err(failed)?.bytes().await.map_err(failed)?;
    if bytes.len() as u64 != object.size {
        let reason = format!("{} of {} bytes came", bytes.len(), object.size);
        return Err(Error::input(path, "object", reason, "fetch again").into());
    }
    if let Some(above) = path.parent() {
        fs::create_dir_all(above).map_err(|e| Error::io(above, "create the folder", e))?;
    }
    write_atomic(path, &bytes)?;
    File::options()
        .write(true)
        .open(path)
        .and_then(|file| file.set_modified(time))
        .map_err(|e| Error::io(path, "set the time of the object", e))?;
    Ok(Done::Fetched)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_belongs_to_a_flight_and_lies_in_it_is_brought() {
        let prefix = Key::from("2026/quarry");
        let at = |key: &str| place(Path::new("q"), &prefix, &Key::parse(key).unwrap());
        assert_eq!(at("2026/quarry/frames/a.tif"), Some(PathBuf::from("q/frames/a.tif")));
        assert_eq!(at("2026/quarry/frames/day/a.tif"), Some(PathBuf::from("q/frames/day/a.tif")));
        assert_eq!(at("2026/quarry/frames.csv"), Some(PathBuf::from("q/frames.csv")));
        for other in ["2026/quarry/run/findings.csv", "2026/quarry/frames", "2026/quarry-b/frames.csv", "frames/a.tif"]
        {
            assert_eq!(at(other), None, "{other}");
        }
        assert_eq!(at("2026/quarry/frames/..\\..\\a.tif"), None);
        assert_eq!(at("2026/quarry/frames/c:a.tif"), None);
    }

    #[test]
    fn an_address_names_store_bucket_and_prefix() {
        assert!(matches!(address("s3://flights/2026/quarry/"), Ok(("flights", key)) if key.as_ref() == "2026/quarry"));
        assert!(matches!(address("s3://flights"), Ok(("flights", key)) if key.as_ref().is_empty()));
        for wrong in ["quarry", "https://flights/quarry", "s3://", "s3:///quarry", "s3://flights/../quarry"] {
            assert!(matches!(address(wrong), Err(Failure::Library(Error::Argument { .. }))), "{wrong}");
        }
    }
}
