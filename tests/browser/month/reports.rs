//! What people tell from the label of an instrument, and what becomes of it.

use fantoccini::Locator;

use super::acts::{PHRASE, signs_out};
use super::days::Month;
use super::march;

impl Month {
    /// At the public evening a visitor and a member read the label of L04.
    pub async fn labels_are_read(&self) {
        let (time, phone, guest) = (&self.time, &self.phone, &self.guest);
        time.it_is(march(27), "21:00");
        guest.open(&self.label).await;
        guest.press("Report a knock, dew or a problem").await;
        guest.pick("What happened?", "Dew or water on it").await;
        guest.fill("In your words", "It is wet all over.").await;
        guest.fill("Your name", "Somebody of the street").await;
        guest.photograph("guest-reports").await;
        guest.press("Send").await;
        guest.sees("Keep this address").await;

        phone.sign_in("samuel@lantern.example", PHRASE).await;
        phone.open(&self.label).await;
        phone.press("Report a knock, dew or a problem").await;
        phone.pick("What happened?", "Something else").await;
        let words = "The focuser slips when it points high.";
        phone.fill("In your words", words).await;
        phone.press("Send").await;
        phone.sees("Thank you. A volunteer will look at it.").await;
        signs_out(phone).await;
        time.round().await;
    }

    /// The visitor's is set aside with an answer; the member's is entered.
    pub async fn reports_are_looked_at(&self) {
        let (rufus, guest) = (&self.rufus, &self.guest);
        let row = |words: &str| format!("//tr[contains(., \"{words}\")]");
        rufus.open("/reports").await;
        rufus.press_in(&row("wet all over"), "L04").await;
        rufus.press("Set it aside").await;
        let aside = "//details[summary[normalize-space()=\"Set it aside\"]]";
        let answer = "Thank you. It was dew, and has dried.";
        let field = rufus
            .client
            .find(Locator::Id("f-aside_answer"))
            .await
            .unwrap();
        field.send_keys(answer).await.unwrap();
        rufus.photograph("set-aside").await;
        rufus
            .press_in(&format!("{aside}//form"), "Set it aside")
            .await;
        rufus.sees("Set aside: it counts for nothing.").await;
        guest.client.refresh().await.unwrap();
        guest.sees(answer).await;

        rufus.open("/reports").await;
        rufus.press_in(&row("focuser slips"), "L04").await;
        rufus.press("Enter it in the logbook").await;
        rufus.sees("It stands in the logbook of L04.").await;
    }
}
