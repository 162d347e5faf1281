//! A month of lending, day by day, by the people of the club.

use std::sync::Arc;

use super::acts::{
    PHRASE, PUBLIC, asks_for, comes_in_first, fill_day, lends, opens_link, press_gravely, reserves,
    signs_out, takes_back,
};
use super::{april, march};
use crate::club::Club;
use crate::own_time::OwnTime;
use crate::visitor::{Scripts, Visitor, Window};

const EVENING: &str = "Open evening at the school";

/// The club while the month goes on.
pub struct Month {
    pub time: Arc<OwnTime>,
    /// The coordinator, at a desk.
    pub maribel: Visitor,
    /// The volunteer at the lending desk.
    pub rufus: Visitor,
    /// A phone that members use in turn.
    pub phone: Visitor,
    /// The phone of somebody who is no member.
    pub guest: Visitor,
    /// Where the label of L04 leads.
    pub label: String,
}

impl Month {
    /// The rest of the first evening, Tuesday 10 March: Casimir, who has no mail, has had L06
    /// since Friday, and the volunteer of the desk is let in.
    pub async fn begin(
        club: Club,
        time: Arc<OwnTime>,
        maribel: Visitor,
        labels: Vec<String>,
    ) -> Self {
        maribel.open("/instruments/L06/lend").await;
        maribel.choose_starting("To whom", "Casimir Dunmore").await;
        maribel
            .press("Another day, somebody else fetches it, a deposit")
            .await;
        fill_day(&maribel, "Lent on", march(6)).await;
        fill_day(&maribel, "Back by", march(20)).await;
        maribel.press("Lend it").await;
        maribel.sees("L06 is lent.").await;
        maribel.sees("6 March 2026").await;

        maribel.open("/people").await;
        maribel.press("Rufus Tansley").await;
        let said = "A sign-in link is on its way to rufus@lantern.example.";
        press_gravely(&maribel, "Send a sign-in link", said).await;
        let rufus = club.visitor(Window::Desk, Scripts::On).await;
        opens_link(&rufus, &time, "rufus@lantern.example").await;
        rufus.photograph("today-volunteer").await;
        Self {
            maribel,
            rufus,
            phone: club.visitor(Window::Phone, Scripts::On).await,
            guest: club.visitor(Window::SmallPhone, Scripts::On).await,
            label: labels[0].strip_prefix(PUBLIC).unwrap().to_owned(),
            time,
        }
    }

    /// To Monday 16 March: a member renews after midnight, two loans at the desk.
    pub async fn first_week(&self) {
        let (time, phone, rufus) = (&self.time, &self.phone, &self.rufus);
        time.morning_of(march(11)).await;
        time.it_is(march(11), "18:00");
        comes_in_first(phone, time, "jo@lantern.example").await;
        phone.open("/my-loans").await;
        phone.sees("L07").await;
        // It is Thursday in the club's zone, and Wednesday still in UTC.
        time.it_is(march(12), "00:30");
        phone.open("/my-loans").await;
        phone.press_starting("Renew until").await;
        phone.sees("Renewed: it is due on 26 March 2026.").await;
        phone.photograph("renewed").await;
        signs_out(phone).await;
        time.round().await;

        time.morning_of(march(14)).await;
        time.it_is(march(14), "11:00");
        lends(rufus, "L01", "Adela Quill", march(28)).await;
        lends(rufus, "L02", "Wren Penhale", march(17)).await;
        time.round().await;

        time.morning_of(march(16)).await;
        let week = time.letter_to("maribel.oakes@lantern.example");
        for line in [
            "- L05, Elspeth Vance, 37 days",
            "- L02, Wren Penhale, Tuesday",
            "- L06, Casimir Dunmore, Friday",
            "Due for the bench",
        ] {
            assert!(week.body.contains(line), "{line} is not in {}", week.body);
        }
        time.it_is(march(16), "19:00");
        lends(rufus, "L09", "Ambrose Vale", march(30)).await;
        time.round().await;
    }

    /// To Sunday 22 March: those without mail are told by hand; a work night is planned,
    /// what is needed is reserved, a member asks for what is out.
    pub async fn second_week(&self) {
        let (time, phone, rufus, maribel) = (&self.time, &self.phone, &self.rufus, &self.maribel);
        time.morning_of(march(17)).await;
        time.it_is(march(17), "18:00");
        maribel.open("/").await;
        maribel.sees("1 to tell in person").await;
        maribel.photograph("today-coordinator").await;
        maribel.open("/messages").await;
        maribel
            .press_starting("L06 is due back in 3 days Casimir Dunmore")
            .await;
        maribel
            .sees("To Casimir Dunmore, who has no mail address.")
            .await;
        maribel.photograph("to-be-said").await;
        maribel.press("Told in person").await;
        maribel.sees("Nothing waits.").await;
        // He asks for some days more.
        rufus.open("/loans").await;
        rufus.press("L06").await;
        rufus.sees("Another day").await;
        fill_day(rufus, "Back by", march(24)).await;
        rufus.press("Move the day").await;
        rufus.sees("L06 is now due on 24 March 2026.").await;
        time.round().await;

        time.morning_of(march(18)).await;
        time.it_is(march(18), "19:00");
        takes_back(rufus, "L02", None).await;
        time.round().await;
        maribel.open("/messages").await;
        maribel.sees("Nothing waits.").await;

        time.morning_of(march(19)).await;
        time.it_is(march(19), "19:30");
        maribel.open("/work-nights/new").await;
        fill_day(maribel, "Date", march(31)).await;
        maribel.fill("Place", "The hut").await;
        maribel.fill("Hours", "3").await;
        maribel.fill("Pairs of hands", "2").await;
        maribel.press("Plan it").await;
        maribel.sees("The work night is planned.").await;
        maribel.photograph("work-night-planned").await;
        maribel.tick("L03").await;
        maribel.press("Add to the list").await;
        maribel.sees("On the list").await;
        let holiday = (march(30), april(5));
        reserves(rufus, "L02", holiday, "Petra Marchbanks", "A holiday").await;
        let out = (march(27), march(28));
        reserves(rufus, "L04", out, "Gideon Astley", EVENING).await;
        time.round().await;

        time.morning_of(march(20)).await;
        time.it_is(march(20), "20:00");
        comes_in_first(phone, time, "lucia@lantern.example").await;
        asks_for(phone, "L07").await;
        signs_out(phone).await;
        time.round().await;

        // What came back the day before, and was not written down then.
        time.morning_of(march(22)).await;
        time.it_is(march(22), "10:30");
        takes_back(rufus, "L06", Some(march(21))).await;
        time.round().await;
        maribel.open("/messages").await;
        maribel.sees("Nothing waits.").await;
    }

    /// To Sunday 29 March, when the clocks are put on: a renewal is refused, an eyepiece is
    /// lost, a public evening.
    pub async fn third_week(&self) {
        let (time, phone, rufus, maribel) = (&self.time, &self.phone, &self.rufus, &self.maribel);
        time.morning_of(march(23)).await;
        time.it_is(march(23), "18:30");
        phone.sign_in("jo@lantern.example", PHRASE).await;
        phone.open("/my-loans").await;
        phone
            .sees("Somebody waits for it, so it cannot be renewed.")
            .await;
        assert!(!phone.shows("Renew until").await);
        phone.photograph("renewal-refused").await;
        signs_out(phone).await;
        comes_in_first(phone, time, "samuel@lantern.example").await;
        asks_for(phone, "L07").await;
        signs_out(phone).await;
        time.round().await;

        time.morning_of(march(24)).await;
        time.it_is(march(24), "19:00");
        rufus.open("/check-in/L05").await;
        for part in ["Tube with caps", "Tripod", "Diagonal"] {
            rufus.tick(part).await;
        }
        rufus.press("Save").await;
        rufus.sees("Did not come back: 20 mm eyepiece").await;
        rufus.photograph("lost-eyepiece").await;
        time.round().await;

        time.morning_of(march(26)).await;
        time.it_is(march(26), "19:00");
        takes_back(rufus, "L07", None).await;
        time.round().await;

        time.morning_of(march(27)).await;
        time.it_is(march(27), "17:00");
        rufus.open("/outings/new").await;
        rufus.fill("Evening", EVENING).await;
        rufus.choose("Who answers for them", "Gideon Astley").await;
        fill_day(rufus, "Back by", march(28)).await;
        rufus.tick("L04,").await;
        rufus.tick("L08,").await;
        rufus.photograph("outing").await;
        rufus.press("Lend them").await;
        rufus.sees(&format!("2 are out for {EVENING}.")).await;
        time.round().await;
        self.labels_are_read().await;
        // It is Saturday in the club's zone, and Friday still in UTC.
        time.it_is(march(28), "00:30");
        rufus.open("/loans").await;
        rufus.press(&format!("Return from: {EVENING} (2)")).await;
        rufus.sees("What is back").await;
        rufus.tick("L04,").await;
        rufus.tick("L08,").await;
        rufus.tick("By car").await;
        rufus.fill("How far, there and back", "24").await;
        rufus.tick("Stood out at a public event").await;
        rufus.photograph("outing-back").await;
        rufus.press("Return them").await;
        rufus.sees("2 are returned.").await;
        for tag in ["L04", "L08"] {
            rufus.open(&format!("/instruments/{tag}/logbook")).await;
            rufus.sees("24 km").await;
            rufus.sees("Public event.").await;
        }
        time.round().await;

        time.morning_of(march(28)).await;
        time.it_is(march(28), "11:00");
        takes_back(rufus, "L09", None).await;
        let later = (april(9), april(12));
        reserves(rufus, "L08", later, "Ambrose Vale", "").await;
        self.reports_are_looked_at().await;
        time.round().await;
        maribel.open("/problems").await;
        maribel.press("Take it on L04").await;
        maribel.choose("Who does it", "Rufus Tansley").await;
        fill_day(maribel, "By when, if there is a day", march(31)).await;
        maribel.press("Save").await;
        maribel.sees("The job at L04 is given to").await;
        time.round().await;
    }

    /// To Friday 10 April: the work night, a turn that passes to the next, the lost eyepiece
    /// paid for, a member erased.
    pub async fn fourth_week(&self) {
        let (time, rufus, maribel) = (&self.time, &self.rufus, &self.maribel);
        time.morning_of(march(30)).await;
        time.it_is(march(30), "18:00");
        takes_back(rufus, "L01", None).await;
        lends(rufus, "L02", "Petra Marchbanks", april(6)).await;
        time.round().await;

        time.morning_of(march(31)).await;
        time.it_is(march(31), "19:00");
        self.work_night().await;
        time.round().await;

        time.morning_of(april(1)).await;
        time.it_is(april(1), "19:00");
        maribel.open("/instruments/L07/waiting").await;
        maribel.sees("Was kept until Tue 31 Mar").await;
        maribel.sees("Kept until Mon 6 Apr").await;
        maribel.photograph("a-turn-has-passed").await;
        maribel.open("/missing-kit").await;
        maribel.sees("On Elspeth Vance's account").await;
        let row = "//li[contains(@class, 'missing-row')]";
        maribel.press_in(row, "Settle it 20 mm eyepiece, L05").await;
        maribel.press_in(row, "It was paid for").await;
        maribel.press_in(row, "Settle").await;
        maribel.sees("20 mm eyepiece of L05: paid for.").await;
        maribel.open("/people").await;
        maribel.press("Ambrose Vale").await;
        maribel.press("Erase").await;
        let said = "They are erased: what stays is a former member's.";
        press_gravely(maribel, "Erase for good", said).await;
        assert!(!maribel.shows("Ambrose").await);
        maribel.open("/loans?show=all").await;
        maribel.sees("A former member").await;
        maribel.photograph("a-former-member").await;
        assert!(!maribel.shows("Ambrose").await);
        maribel.open("/reservations").await;
        assert!(!maribel.shows("L08").await, "theirs is cancelled");
        time.round().await;

        time.morning_of(april(2)).await;
        time.it_is(april(2), "19:00");
        maribel.open("/people").await;
        maribel.press("Ingeborg Sørland").await;
        maribel.pick("Role", "Coordinator").await;
        press_gravely(maribel, "Save", "Changed.").await;
        time.round().await;

        time.morning_of(april(3)).await;
        time.it_is(april(3), "19:00");
        rufus.open("/").await;
        rufus.photograph("today-of-a-turn").await;
        lends(rufus, "L07", "Samuel Okonjo", april(17)).await;
        time.round().await;

        time.morning_of(april(6)).await;
        time.it_is(april(6), "18:00");
        takes_back(rufus, "L02", None).await;
        time.round().await;

        time.morning_of(april(8)).await;
        time.it_is(april(8), "19:00");
        maribel.open("/missing-kit").await;
        maribel
            .press("It, or a new one, is in the kit: 20 mm eyepiece, L05")
            .await;
        maribel
            .sees("20 mm eyepiece of L05: in the kit again.")
            .await;
        time.round().await;
        time.morning_of(april(10)).await;
        time.it_is(april(10), "20:00");
        time.round().await;
    }

    /// The job is done, L03 comes back to the shelf.
    async fn work_night(&self) {
        let rufus = &self.rufus;
        rufus.open("/instruments/L04/work").await;
        rufus.pick("What was done", "Repair").await;
        rufus.pick("Was anything optical moved?", "No").await;
        rufus.fill("In words", "New felt under the focuser.").await;
        rufus.tick("The focuser slips").await;
        rufus.press("Log the work").await;
        rufus.sees("Work on L04 logged.").await;
        rufus.open("/instruments/L03/work").await;
        rufus.pick("What was done", "Cleaning").await;
        rufus.pick("Was anything optical moved?", "No").await;
        rufus.fill("In words", "Brushed the mirror off.").await;
        rufus.press("Log the work").await;
        rufus.sees("Work on L03 logged.").await;
        rufus.open("/instruments/L03/bench?to=shelf").await;
        rufus.fill("Reason", "Clean again").await;
        rufus.press("Move it").await;
        rufus.sees("is on the shelf now").await;
        rufus.open("/work-nights").await;
        rufus.press_starting("Tuesday 31 March 2026").await;
        rufus.sees("On the list").await;
        let row = "//tr[th//a[normalize-space()=\"L03\"]]";
        rufus.press_in(row, "Done").await;
        rufus.sees("L03 is done.").await;
        rufus.photograph("work-night").await;
    }
}
