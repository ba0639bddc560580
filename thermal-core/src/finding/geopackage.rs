//! The site as a GeoPackage (OGC 12-128r17, GeoPackage 1.3): the layers `findings`, `modules` and `unseen`, every column an
//! attribute.

use std::borrow::Borrow;
use std::path::Path;

use jiff::Timestamp;
use rusqlite::{Connection, params, params_from_iter, types::Value as Sql};

use super::column::{Column, Kind, Value};
use super::place::{Place, Placed};
use super::{FINDINGS, Finding, MODULES, ModuleRecord, Table, UNSEEN, Unseen};
use crate::{Error, Result};

/// EPSG's number of WGS 84, longitude and latitude in degrees.
const WGS84: i32 = 4326;

/// The tables that every GeoPackage has, as the standard's annex C gives them, and its three reference systems.
const FRAME_SQL: &str = r#"
PRAGMA page_size = 4096;
PRAGMA application_id = 0x47504B47;
PRAGMA user_version = 10300;
PRAGMA journal_mode = OFF;
BEGIN;
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL,
  srs_id INTEGER PRIMARY KEY,
  organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL,
  definition TEXT NOT NULL,
  description TEXT
);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY,
  data_type TEXT NOT NULL,
  identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE,
  min_y DOUBLE,
  max_x DOUBLE,
  max_y DOUBLE,
  srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id)
);
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL,
  m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id)
);
INSERT INTO gpkg_spatial_ref_sys VALUES
  ('Undefined Cartesian coordinate reference system', -1, 'NONE', -1, 'undefined', NULL),
  ('Undefined geographic coordinate reference system', 0, 'NONE', 0, 'undefined', NULL),
  ('WGS 84 geodetic', 4326, 'EPSG', 4326, 'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]', 'longitude and latitude in degrees');
"#;

/// Writes the layers into a new file, polygons where the corners on the ground are known, else points.
///
/// `last_change` is what the file says of its own age. Give the time of the last capture and the same flight gives
/// the same bytes. Features without a place are kept, with no geometry.
///
/// # Errors
/// The file is there already or cannot be written.
pub fn write_geopackage<'a>(
    path: &Path,
    findings: &[Finding],
    modules: impl IntoIterator<Item = &'a ModuleRecord, IntoIter: Clone>,
    unseen: &[Unseen],
    last_change: Timestamp,
) -> Result<()> {
    let modules = modules.into_iter();
    write_geopackage_of(path, findings, || modules.clone().map(Ok), unseen, last_change)
}

/// As [`write_geopackage`], of modules that are read one after another, each time that `modules` is asked; it ends with the
/// first error.
pub(crate) fn write_geopackage_of<B: Borrow<ModuleRecord>, I: Iterator<Item = Result<B>>>(
    path: &Path,
    findings: &[Finding],
    modules: impl Fn() -> I,
    unseen: &[Unseen],
    last_change: Timestamp,
) -> Result<()> {
    // A database of that name would be added to, not replaced.
    std::fs::File::create_new(path).map_err(|source| Error::io(path, "create the GeoPackage", source))?;
    let fail = |error: rusqlite::Error| {
        Error::input(path, "GeoPackage", error.to_string(), "see that the folder can be written and has space left")
    };
    let db = Connection::open(path).map_err(fail)?;
    db.execute_batch(FRAME_SQL).map_err(fail)?;
    layer(&db, &FINDINGS, || findings.iter().map(Ok), last_change, fail)?;
    layer(&db, &MODULES, modules, last_change, fail)?;
    layer(&db, &UNSEEN, || unseen.iter().map(Ok), last_change, fail)?;
    db.execute_batch("COMMIT").map_err(fail)?;
    db.close().map_err(|(_, error)| fail(error))
}

/// Creates one layer and fills it. The records are asked for twice, for their places and for all: a list of either would take
/// more memory than all else here.
fn layer<R: Placed, B: Borrow<R>, I: Iterator<Item = Result<B>>>(
    db: &Connection,
    table: &Table<R>,
    records: impl Fn() -> I,
    last_change: Timestamp,
    fail: impl Fn(rusqlite::Error) -> Error,
) -> Result<()> {
    let mut extent = Extent::default();
    for record in records() {
        extent.add(&record?.borrow().place());
    }
    let (name, geometry) = (table.name, extent.geometry_type());
    let column = |column: &Column<R>| format!("\"{}\" {}", column.spec.name, sql_type(column.spec.kind));
    let columns: Vec<_> = table.columns.iter().map(column).collect();
    db.execute_batch(&format!(
        "CREATE TABLE \"{name}\" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {}, {})",
        geometry,
        columns.join(", ")
    ))
    .map_err(&fail)?;
    let [min_x, min_y, max_x, max_y] = extent.bounds.map_or([None; 4], |bounds| bounds.map(Some));
    db.execute(
        "INSERT INTO gpkg_contents VALUES (?1, 'features', ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        params![name, table.title, table.description, utc(last_change), min_x, min_y, max_x, max_y, WGS84],
    )
    .map_err(&fail)?;
    db.execute("INSERT INTO gpkg_geometry_columns VALUES (?1, 'geom', ?2, ?3, 0, 0)", params![name, geometry, WGS84])
        .map_err(&fail)?;
    let marks = ", ?".repeat(table.columns.len());
    let mut insert = db.prepare(&format!("INSERT INTO \"{name}\" VALUES (NULL, ?{marks})")).map_err(&fail)?;
    for record in records() {
        let record = record?;
        let record = record.borrow();
        let cells = table.columns.iter().map(|column| sql_value(column.spec.kind, column.value(record)));
        insert.execute(params_from_iter(std::iter::once(blob(record.place())).chain(cells))).map_err(&fail)?;
    }
    Ok(())
}

/// What the places of a layer have in common.
#[derive(Default)]
struct Extent {
    polygons: bool,
    points: bool,
    /// West, south, east, north.
    bounds: Option<[f64; 4]>,
}

impl Extent {
    fn add(&mut self, place: &Place) {
        self.polygons |= matches!(place, Place::Polygon(_));
        self.points |= matches!(place, Place::Point(_));
        self.bounds = corners(place).iter().fold(self.bounds, |bounds, &[x, y]| {
            let [w, s, e, n] = bounds.unwrap_or([x, y, x, y]);
            Some([x.min(w), y.min(s), x.max(e), y.max(n)])
        });
    }

    /// The narrowest type that holds all places: a GIS shows a layer of one type as one layer.
    fn geometry_type(&self) -> &'static str {
        match (self.polygons, self.points) {
            (true, true) => "GEOMETRY",
            (false, true) => "POINT",
            _ => "POLYGON",
        }
    }
}

fn sql_type(kind: Kind) -> &'static str {
    match kind {
        Kind::Text | Kind::Words(_) | Kind::Flags => "TEXT",
        Kind::Integer { .. } => "INTEGER",
        Kind::Number { .. } => "DOUBLE",
        Kind::Boolean => "BOOLEAN",
        Kind::Time => "DATETIME",
    }
}

fn sql_value(kind: Kind, value: Value<'_>) -> Sql {
    match value {
        Value::Empty => Sql::Null,
        // The standard's DATETIME is in UTC; a time that cannot be read as one is left out rather than mistaken.
        Value::Text(text) if kind == Kind::Time => text.parse().map_or(Sql::Null, |time| Sql::Text(utc(time))),
        Value::Text(text) => Sql::Text(text.into_owned()),
        Value::Integer(n) => Sql::Integer(n),
        Value::Number(x) => Sql::Real(x),
        Value::Boolean(yes) => Sql::Integer(yes.into()),
    }
}

/// The standard's form of a time: UTC with milliseconds.
fn utc(time: Timestamp) -> String {
    time.strftime("%Y-%m-%dT%H:%M:%S.%3fZ").to_string()
}

fn corners(place: &Place) -> &[[f64; 2]] {
    match place {
        Place::Polygon(ring) => ring,
        Place::Point(centre) => std::slice::from_ref(centre),
        Place::Unknown => &[],
    }
}

/// The geometry as the standard's clause 2.1.3 encodes it: header, for polygons the envelope, and the well-known
/// binary, all little-endian.
fn blob(place: Place) -> Sql {
    const LITTLE_ENDIAN: u8 = 1;
    const ENVELOPE_XY: u8 = 1 << 1;
    let (flags, wkb_type, counts, numbers): (u8, u32, &[u32], Vec<f64>) = match place {
        Place::Polygon(ring) => {
            let mut extent = Extent::default();
            extent.add(&place);
            let [w, s, e, n] = extent.bounds.unwrap_or_default();
            (
                LITTLE_ENDIAN | ENVELOPE_XY,
                3,
                &[1, 5],
                [w, e, s, n].into_iter().chain(ring.into_iter().flatten()).collect(),
            )
        }
        Place::Point(centre) => (LITTLE_ENDIAN, 1, &[], centre.to_vec()),
        Place::Unknown => return Sql::Null,
    };
    let (envelope, coordinates) = numbers.split_at(if flags & ENVELOPE_XY == 0 { 0 } else { 4 });
    let mut bytes = vec![b'G', b'P', 0, flags];
    bytes.extend(WGS84.to_le_bytes());
    bytes.extend(envelope.iter().flat_map(|x| x.to_le_bytes()));
    bytes.push(LITTLE_ENDIAN);
    bytes.extend(wkb_type.to_le_bytes());
    bytes.extend(counts.iter().flat_map(|n| n.to_le_bytes()));
    bytes.extend(coordinates.iter().flat_map(|x| x.to_le_bytes()));
    Sql::Blob(bytes)
}
