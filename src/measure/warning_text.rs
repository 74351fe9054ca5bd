//! stub
/// stub
pub fn text(w: &super::TakeWarning) -> String {
    format!("{w:?}")
}
