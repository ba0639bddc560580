//! The evidence pictures of all findings, frame by frame so that each frame is read once.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;

use super::frames::read_frame;
use super::{Conclusion, FrameReport, Inputs};
use crate::evidence::{Style, render};
use crate::finding::Finding;
use crate::threads::in_order;
use crate::{Error, Result};

/// Draws the pictures into `folder/evidence/` on `threads` threads, and puts their names into the findings.
pub(super) fn write_all(
    inputs: &Inputs,
    reports: &[FrameReport],
    conclusion: &mut Conclusion,
    folder: &Path,
    threads: usize,
) -> Result<()> {
    let place = folder.join("evidence");
    std::fs::create_dir_all(&place).map_err(|e| Error::io(&place, "make the folder", e))?;
    let mut by_frame: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (k, sight) in conclusion.evidence.iter().enumerate() {
        by_frame.entry(sight.frame).or_default().push(k);
    }
    for finding in &mut conclusion.findings {
        finding.evidence = format!("evidence/{}.png", finding.finding);
    }
    let work: Vec<(usize, Vec<usize>)> = by_frame.into_iter().collect();
    let failed: Mutex<Option<Error>> = Mutex::new(None);
    let findings = &conclusion.findings;
    in_order(work.len(), threads, |k, converter| {
        let (frame, list) = &work[k];
        let result = draw(inputs, &reports[*frame], (list, findings), folder, converter);
        if let (Err(error), Ok(mut failed)) = (result, failed.lock()) {
            failed.get_or_insert(error);
            return None;
        }
        Some(())
    });
    failed.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner).map_or(Ok(()), Err)
}

fn draw(
    inputs: &Inputs,
    report: &FrameReport,
    (list, findings): (&[usize], &[Finding]),
    folder: &Path,
    converter: &mut Option<crate::radiometry::Converter>,
) -> Result<()> {
    let (thermogram, _, _, digest, _) = read_frame(inputs, &report.file, converter)?;
    if digest != report.digest {
        return Err(Error::input(
            inputs.frame_path(&report.file),
            "content",
            "the frame is not the one that was analysed",
            "put the frame of the flight back, or inspect again",
        ));
    }
    let neighbours: Vec<[[f64; 2]; 4]> = report.records.read()?.modules.iter().map(|m| m.corners).collect();
    for &k in list {
        let finding = &findings[k];
        let picture = render(&thermogram.celsius.view(), finding, &neighbours, &inputs.settings, &Style::default())?;
        let path = folder.join(&finding.evidence);
        std::fs::write(&path, picture.png()?).map_err(|e| Error::io(&path, "write the picture", e))?;
    }
    Ok(())
}
