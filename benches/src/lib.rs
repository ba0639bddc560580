//! What the benchmarks share: the peak of this process's memory.

/// Lets the peak begin anew from what is in use (Linux).
pub fn forget_peak() {
    let _ = std::fs::write("/proc/self/clear_refs", "5");
}

/// Peak resident memory of this process, MB (Linux).
pub fn peak_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|v| v.parse::<f64>().ok()).unwrap_or(f64::NAN) / 1024.0
}
