//! A table as Apache Parquet, by the same registry of columns as the CSV: numbers with the same digits, times in UTC.

use std::borrow::Borrow;
use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use parquet::basic::{Compression, GzipLevel, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result as ParquetResult};
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;

use super::{Column, Kind, Table, Value};
use crate::{Error, Result};

/// Lines in a group: a reader skips a group at a time.
const GROUP: usize = 100_000;

impl<R> Table<R> {
    /// Writes the whole table into a new file.
    ///
    /// # Errors
    /// [`Error::Io`] where the disk refuses.
    pub fn write_parquet<'a>(&self, path: &Path, records: impl IntoIterator<Item = &'a R>) -> Result<()> {
        self.write_parquet_of(path, records.into_iter().map(Ok))
    }

    /// As [`Table::write_parquet`], of records that are read one after another; it ends with the first error.
    pub(crate) fn write_parquet_of<B: Borrow<R>>(
        &self,
        path: &Path,
        records: impl IntoIterator<Item = Result<B>>,
    ) -> Result<()> {
        let mut failed = None;
        let records = records.into_iter().map_while(|record| record.map_err(|error| failed = Some(error)).ok());
        let written = self.write_groups(path, records);
        failed.map_or(written.map_err(|e| Error::io(path, "write the table", std::io::Error::other(e))), Err)
    }

    fn write_groups<B: Borrow<R>>(&self, path: &Path, mut records: impl Iterator<Item = B>) -> ParquetResult<()> {
        let fields = self.columns.iter().map(field).collect::<ParquetResult<_>>()?;
        let schema = Arc::new(Type::group_type_builder(self.name).with_fields(fields).build()?);
        let compression = Compression::GZIP(GzipLevel::default());
        let properties = Arc::new(WriterProperties::builder().set_compression(compression).build());
        let mut file = SerializedFileWriter::new(File::create(path)?, schema, properties)?;
        loop {
            let records: Vec<B> = records.by_ref().take(GROUP).collect();
            if records.is_empty() {
                break;
            }
            let mut group = file.next_row_group()?;
            for column in self.columns {
                let mut out = group
                    .next_column()?
                    .ok_or_else(|| ParquetError::General(format!("no column {}", column.spec.name)))?;
                write_column(column, &records, out.untyped())?;
                out.close()?;
            }
            group.close()?;
        }
        file.close()?;
        File::open(path)?.sync_all()?;
        Ok(())
    }
}

/// The type of a column. Every cell may be empty: a reader tells that from a zero.
fn field<R>(column: &Column<R>) -> ParquetResult<Arc<Type>> {
    let (physical, logical) = match column.spec.kind {
        Kind::Text | Kind::Words(_) | Kind::Flags => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Kind::Integer { .. } => (Physical::INT64, None),
        Kind::Number { .. } => (Physical::DOUBLE, None),
        Kind::Boolean => (Physical::BOOLEAN, None),
        Kind::Time => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MILLIS))),
    };
    let builder = Type::primitive_type_builder(column.spec.name, physical);
    Ok(Arc::new(builder.with_repetition(Repetition::OPTIONAL).with_logical_type(logical).build()?))
}

fn write_column<R, B: Borrow<R>>(column: &Column<R>, records: &[B], out: &mut ColumnWriter<'_>) -> ParquetResult<()> {
    let cells = || records.iter().map(|record| column.value(record.borrow()));
    match out {
        ColumnWriter::BoolColumnWriter(out) => {
            let (values, levels) = split(cells().map(|v| if let Value::Boolean(yes) = v { Some(yes) } else { None }));
            out.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::Int64ColumnWriter(out) => {
            let (values, levels) = split(cells().map(|v| match v {
                Value::Integer(n) => Some(n),
                Value::Text(time) => time.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_millisecond),
                _ => None,
            }));
            out.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::DoubleColumnWriter(out) => {
            let (values, levels) = split(cells().map(|v| if let Value::Number(x) = v { Some(x) } else { None }));
            out.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::ByteArrayColumnWriter(out) => {
            let (values, levels) = split(cells().map(|v| match v {
                Value::Text(text) => Some(ByteArray::from(text.into_owned().into_bytes())),
                _ => None,
            }));
            out.write_batch(&values, Some(&levels), None)?;
        }
        _ => {}
    }
    Ok(())
}

/// The values that are there, and for each cell 1 where it is one of them, else 0.
fn split<T>(cells: impl Iterator<Item = Option<T>>) -> (Vec<T>, Vec<i16>) {
    let mut values = Vec::new();
    let levels = cells
        .map(|cell| {
            let there = i16::from(cell.is_some());
            values.extend(cell);
            there
        })
        .collect();
    (values, levels)
}
