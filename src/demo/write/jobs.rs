//! Jobs, and the spare parts that work uses.

use library::Conn;

use super::super::spares;
use super::{Result, Writer, wrong};

impl Writer<'_> {
    /// Before the work that uses them.
    pub(super) async fn spares(&self, conn: &mut Conn) -> Result<()> {
        let keeper = self.person(&self.keeper()?.handle)?;
        let noon = |ago| self.story.days.noon(ago);
        spares::write(conn, &self.seed.spares, keeper, noon).await
    }

    pub(super) async fn jobs(&self, conn: &mut Conn) -> Result<()> {
        let keeper = self.person(&self.keeper()?.handle)?;
        for job in &self.seed.club.jobs {
            let found = self.seed.instruments.iter();
            let mut found = found.zip(&self.instruments);
            let known = found.find(|((i, _), _)| i.tag == job.tag);
            let problem = known.and_then(|(_, known)| known.keys.get(&job.problem));
            let (problem, _) = problem
                .ok_or_else(|| wrong(format!("{} has no problem {}", job.tag, job.problem)))?;
            let person = match &job.person {
                Some(handle) => Some(self.person(handle)?),
                None => None,
            };
            let noon = |ago| self.story.days.noon(ago);
            spares::job(conn, job, *problem, person, person.unwrap_or(keeper), noon).await?;
        }
        Ok(())
    }
}
