use startest::decode::{FrameReader, Limits};
fn main() {
    let p = std::env::args().nth(1).unwrap();
    for f in FrameReader::open(&p, &Limits::default()).unwrap().take(2) {
        let f = f.unwrap();
        let found = startest::find::find(&f);
        println!(
            "{}x{} noise {} sky {:?}",
            f.width, f.height, found.noise, found.sky
        );
        for c in found.candidates.iter().take(8) {
            println!("{c:?}");
        }
    }
}
