//! Grades beside marks: what a picture and a table write where a number is not the drives'.

use crate::compare::Group;
use crate::judge::Grade;
use crate::units::percent;

/// A cached part below this is not told: counts have edges.
const WORTH_TELLING: f64 = 0.05;

/// The letter of a grade, a dash where nothing was judged.
pub fn letter(grade: Option<Grade>) -> &'static str {
    grade.map_or("–", Grade::letter)
}

/// The part that a cache served as `about 83 % cached`, where it is known and worth telling.
pub fn cached(share: Option<f64>) -> Option<String> {
    let share = share.filter(|share| *share > WORTH_TELLING)?;
    Some(format!("about {} cached", percent(share, 0)))
}

/// What stands in place of the rate of a group that is void; `None` when its rate may be read.
pub fn void(group: &Group) -> Option<String> {
    let void = group.void?;
    let why = cached(void.cached).unwrap_or_else(|| "not the drives' speed".to_owned());
    Some(format!("void, {why}"))
}
