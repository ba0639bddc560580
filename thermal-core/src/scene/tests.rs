use super::*;

#[test]
fn equal_specs_give_equal_frames() {
    let spec = demo_spec();
    let (a, truth_a) = render_frame(&spec, 1).unwrap();
    let (b, truth_b) = render_frame(&spec, 1).unwrap();
    assert_eq!(a, b);
    assert_eq!(truth_a, truth_b);
}
