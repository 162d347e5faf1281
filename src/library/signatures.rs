//! A borrower's name under the loan sheet, drawn with a finger on the screen.

use super::loans::Loan;
use super::{Conn, Error, LoanId, Moment, PersonId, Result};

/// The width of the field that is drawn in, in its own units.
pub const WIDTH: u32 = 600;
/// Its height.
pub const HEIGHT: u32 = 200;
/// The most characters that are kept of one.
const LONGEST: usize = 12_000;
/// What is shorter was not meant, in the units of the field.
const SHORTEST: f64 = 120.0;

/// A signature as it is kept.
#[derive(Debug, Clone)]
pub struct Signature {
    /// When.
    pub signed_at: Moment,
    /// Who was signed in on that screen.
    pub taken_by: String,
    /// Its strokes: an SVG path of `M x y` and `L x y` alone, see [`strokes`].
    pub strokes: String,
}

/// Reads strokes as the page sends them, an SVG path such as `M12 30L14 33M80 9L80 40`:
/// whole numbers within [`WIDTH`] and [`HEIGHT`], and nothing else. Gives them as written
/// here; `None` for anything that is not that, or is too short to be a name.
pub fn strokes(typed: &str) -> Option<String> {
    let is_of = |c: char| c.is_ascii_digit() || "ML ".contains(c);
    if typed.len() > LONGEST || !typed.starts_with('M') || !typed.chars().all(is_of) {
        return None;
    }
    let mut kept = String::new();
    let mut last: Option<(u32, u32)> = None;
    let mut length = 0.0;
    for (at, letter) in typed.char_indices().filter(|(_, c)| "ML".contains(*c)) {
        let rest = typed.get(at + 1..)?;
        let point = rest.split(['M', 'L']).next()?;
        let mut numbers = point.split_ascii_whitespace();
        let (x, y) = (numbers.next()?.parse().ok()?, numbers.next()?.parse().ok()?);
        if x > WIDTH || y > HEIGHT || numbers.next().is_some() {
            return None;
        }
        match (letter, last) {
            ('L', Some((from_x, from_y))) => {
                length +=
                    (f64::from(x) - f64::from(from_x)).hypot(f64::from(y) - f64::from(from_y));
            }
            ('L', None) => return None,
            _ => {}
        }
        last = Some((x, y));
        kept.push_str(&format!("{letter}{x} {y}"));
    }
    (length >= SHORTEST).then_some(kept)
}

/// The signature of a loan.
pub async fn of(conn: &mut Conn, loan: LoanId) -> Result<Option<Signature>> {
    Ok(sqlx::query_as!(
        Signature,
        r#"SELECT s.signed_at AS "signed_at: Moment", p.name AS taken_by, s.strokes
           FROM signatures s JOIN people p ON p.id = s.taken_by WHERE s.loan_id = ?"#,
        loan
    )
    .fetch_optional(conn)
    .await?)
}

/// Keeps one, in the place of an earlier one of the same loan.
///
/// # Errors
/// Refused where the loan is over, or the strokes are no signature.
pub async fn sign(
    conn: &mut Conn,
    loan: LoanId,
    typed: &str,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    if Loan::get(conn, loan).await?.returned_at.is_some() {
        return Err(Error::Refused("That loan is over.".to_owned()));
    }
    let Some(strokes) = strokes(typed) else {
        return Err(Error::Refused(
            "No name was drawn. Draw it in the field with a finger, or sign on paper.".to_owned(),
        ));
    };
    sqlx::query!(
        "INSERT INTO signatures (loan_id, signed_at, taken_by, strokes) VALUES (?1, ?2, ?3, ?4)
         ON CONFLICT (loan_id) DO UPDATE SET signed_at = ?2, taken_by = ?3, strokes = ?4",
        loan,
        at,
        by,
        strokes
    )
    .execute(conn)
    .await?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strokes_are_points_within_the_field_and_nothing_else() {
        let name = "M10 100L200 20 L 400 180M500 40L500 160";
        assert_eq!(
            strokes(name).as_deref(),
            Some("M10 100L200 20L400 180M500 40L500 160")
        );
        let too_far = format!("M0 0L{} 0", WIDTH + 1);
        let too_long = format!("M0 0{}", "L600 200L0 0".repeat(1_200));
        for wrong in [
            "",
            "M10 10",
            "M10 10L20 20",
            "L10 10L400 20",
            "M10 10L400",
            "M10 10L400 20 30",
            "M-5 10L400 20",
            "M1e9 10L400 20",
            "M0 0L300 100\"/><script>",
            "M0 0C10 10 300 100 200 200",
            &too_far,
            &too_long,
        ] {
            assert_eq!(strokes(wrong), None, "{wrong:.40}");
        }
    }
}
