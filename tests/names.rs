//! No maker's, seller's or product's name stands in the invented club, the code or
//! the pages. Which names those are must not be read here either, so the list holds
//! only what SHA-256 makes of them. All from memory.
//!
//! To add one, run this and put what it prints into `FORBIDDEN`, in order:
//!
//!     NAME="the name" cargo test --test names -- --ignored --nocapture
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

/// Makers and sellers of telescopes, mounts, cameras, filters and tools, their
/// products, and programs for the same job: the first 64 bits of the SHA-256 of the
/// name, in lower case, without what is neither letter nor figure; two words at most.
#[rustfmt::skip]
const FORBIDDEN: &[u64] = &[
    0x00a997dde342e076, 0x00d52db2c1ccf74f, 0x01d89c802514b12f, 0x02348581354ba459,
    0x02eeffe7e8c1b900, 0x059e8127089a55a0, 0x066665845f3ea25d, 0x06f34a79663d0343,
    0x0702b7910a921525, 0x0945e5bdf749c7d1, 0x0af46c906b953747, 0x0bb95abae931f972,
    0x0c8339ee44d34508, 0x0cbc30a184269330, 0x0df95828815deeaa, 0x0ec6d76c6d6dac24,
    0x1036de3ec9e0647a, 0x11ece2a308505b58, 0x13057e033baed820, 0x140613ad403886ed,
    0x15798b66cb0fed4c, 0x15ce8a065881f077, 0x1632630cb5db3817, 0x16e64e04c2b87ba5,
    0x17153ccce5eb2d38, 0x1794af595f2b8bb2, 0x183e1984ad2f37b2, 0x1a3e171f7dd4f59c,
    0x1a3ed63c3c49e08f, 0x1a7c0f576051a749, 0x1c756b7563509a2b, 0x1c9f90d799756d46,
    0x1cc5093e9dda9aa4, 0x1d02c166212c92df, 0x1d96c5df2ddfe478, 0x1e0111565fbeb250,
    0x1e4c94f0f4da1317, 0x1ee252bde6c5de69, 0x1f195634392e3ece, 0x201941a5aa4f4c01,
    0x210f94fd457b402f, 0x2284ae505b0a7335, 0x23e8ac4cda75080d, 0x24701691098c92fb,
    0x260670134225f2a2, 0x28b94cac23a5c8d7, 0x2954a97c35ca2e86, 0x29e9ebca9a4bc818,
    0x2c3164ea05481b0e, 0x2ea6d2bdb2de0e19, 0x3144cce310d10f64, 0x32aae695d9d0dd8a,
    0x339a9884b824c770, 0x33a2a6b9cb955f91, 0x34da87f3a9629093, 0x3513cbfedfe4717a,
    0x357c1fcf7660cc2e, 0x3580e62021823799, 0x358408e7247cb09d, 0x38a4c857821f7b6d,
    0x3b0272132ae8ee00, 0x3b58f34f3beb1916, 0x3bf4d411322ef527, 0x3cde63119e9bbf3e,
    0x3d21467ed9bec6ad, 0x3d89050ee2bb2119, 0x3e37a8bf8011997a, 0x3f5d3fdfd1691a2a,
    0x4455aa704630f910, 0x45685910afd9cc1a, 0x468c5974ab1703fe, 0x485bfeb55afaf243,
    0x487e763f614ec250, 0x4944bca7eaac5561, 0x49811dd63a596968, 0x49d961039db085aa,
    0x4a4d8b524d9097c7, 0x4b37c7d51a1eeb4d, 0x4b7af475b639e6e7, 0x4b8b4560365264b4,
    0x4c560c9f2d207644, 0x4c885818e6aee89e, 0x4d969f171b39ebf0, 0x4daecfac3163ca18,
    0x52ec114418403619, 0x52fb6e48690858f6, 0x547bee34f0063701, 0x5504f9843b1ec4a3,
    0x55bda7ed28bd47ca, 0x55ce4473ef6eb0f9, 0x59816c7fd4a084cd, 0x59f86a4817132acf,
    0x5a4d7bb777b557fb, 0x5aa43ee9bc4c6dfa, 0x5ca817e4aa472444, 0x5d55a6b94a05df82,
    0x5e5d812e407f2c17, 0x5e95283a834f28bb, 0x5f569d3a7c8c4ec2, 0x5fa637adb293bc66,
    0x616d6f99137a3a31, 0x629c208d17a55266, 0x63572804cd25f8f7, 0x639e88cb4135ffa6,
    0x6405105aca80ac8a, 0x64a1dbc4f2a8923a, 0x6544dddce3ba17bd, 0x69e4ccb4fa9fb020,
    0x6a7697a52cb17522, 0x6b5cf6116eb0ecc1, 0x6c5b9f81186cc8cd, 0x6d5074b4bf2b9138,
    0x6da24bdc7d41bbdd, 0x6dbd8aaac44ddbaf, 0x6e0b412011518e0e, 0x6e228252888e520f,
    0x6ef49834fa03fe62, 0x6f7a0d897a8f36c3, 0x6fd6be8432189933, 0x71656b5210e8c289,
    0x717212c4ba7b1049, 0x72fa81c6339cfb17, 0x73192326ab95551d, 0x75c011347bfdb2c3,
    0x79a28ca9877c064d, 0x7b8be73a150c4942, 0x7b97c47e09a06c8f, 0x7be342894c8129fd,
    0x7c603366a88f5663, 0x7e66434f36f52d2c, 0x7e701782e2a311b9, 0x7eeda0320e6ed173,
    0x7f52d208420f6148, 0x7f7b84182b0901f1, 0x81aa38b8fa1c0a47, 0x82b29211c29d3f9a,
    0x84637bfded479666, 0x858725fe6000bc0b, 0x85aea9e92301595b, 0x8617821153030d8b,
    0x878169467ff5c264, 0x88e8997d33d05ce1, 0x898a11c3ecf3cdbc, 0x8a4142c277320a53,
    0x8a884b0c85470325, 0x8c12e8307cfd9ba2, 0x8c3612ce85c0c094, 0x8c98028bf435d0af,
    0x8d8b599420372d9e, 0x8e0adad39788ada6, 0x8eedc2db43a2c24a, 0x8f6163ed207b1f30,
    0x9066e9f2ac56648e, 0x91daf945c19a4f6a, 0x92f123dea6e0f36b, 0x95a5cdaf70311367,
    0x95f18f81fcda86e1, 0x963a6c1cdb616fd2, 0x98bf871cffc4f8dd, 0x9915c59a98634ed9,
    0x9986a9165d11f86e, 0x9a2b8610cde9c0bf, 0x9b18349bda51a05a, 0x9b5c53d9448598c1,
    0x9cf5185c4e881e10, 0x9cf90bef112438f2, 0x9e04ff31493ba55f, 0x9f233cbc8c776699,
    0x9fec0b124c6912a8, 0xa107a7269891aa74, 0xa40e9e4f3bd1cdff, 0xa558bfc1b9f6fa20,
    0xa7a76ed9f1c24642, 0xa86924cc39a7db86, 0xa8c7aa6ccd97a13f, 0xa9597cf5f962b22b,
    0xaace193889489513, 0xab97856fec631b8d, 0xabc2226526aa6401, 0xaca92dc5bd6aa09b,
    0xad44604685d296ea, 0xad627cb4fbb995cc, 0xae8c989429470499, 0xb0b8e34eb0ddc3c4,
    0xb0e413026e41cd65, 0xb2c4f1e4b47ad31d, 0xb332d5e901585b5d, 0xb38ac122d1387b1d,
    0xb46597ca0fab4d33, 0xb567920ca2885f81, 0xb5c21b78b19602a4, 0xb684713238607f58,
    0xb7b097f73d49d5a0, 0xb7b1f33db8120706, 0xb883b84f41a0bd2d, 0xb8d9574a02f7de5c,
    0xb992c9a36c0d385b, 0xbaa12d4e257ab736, 0xbbd1b530765dfd0a, 0xbc5bee2cdbfd265f,
    0xbea608ec124fc0a2, 0xbf895aabe88c0ae1, 0xc0415df627cc8558, 0xc1a9a0db36c208dd,
    0xc213bed4e553c15b, 0xc3be0423235f4bd0, 0xc44f6d81e5567dad, 0xc75b25335a5fc639,
    0xc7c8555fe2405b89, 0xcb04d1aaca90dec2, 0xce496a3d0dde19b9, 0xd08102b99582a42e,
    0xd571e9e85972c970, 0xd5932d6a2cd848fd, 0xd6b5ceab9a05c661, 0xd73ae958da5a0635,
    0xd78dd92eca476988, 0xd8a72c63f8adcee5, 0xd8d7213a552999c8, 0xda9a1ff7e6ac24a3,
    0xdc5fa5d1eb7c7eb4, 0xdd862aeb02d712ee, 0xdfb1652d075bd4ea, 0xe0c840aed73e6717,
    0xe188a8ad557b7ff4, 0xe2761072c272b396, 0xe36257c36f0bb47e, 0xe3bbd2b45a763c90,
    0xe4120ffe88f8d166, 0xe794f4fb2e104627, 0xe7b2dabe7eed9024, 0xe7c58856cb96c790,
    0xe817cd3978538a91, 0xea0fa659afda41ed, 0xea8d4ee62daa1d2f, 0xec6cdbd4e41221c6,
    0xec9b0ee0e9f41eaf, 0xee0212e0dc686935, 0xef9130e70d0c3bf6, 0xf08614f20233bd8a,
    0xf224e448e919397c, 0xf2d8e9ee4e5b9be8, 0xf5e12f78655109b1, 0xf644b8da51d0faf8,
    0xf716ff2ee24e5156, 0xf7714032a4cac923, 0xfa4176b9d6921a8f, 0xfae20d11aacdfb96,
    0xfaeb2a92a62a9e47, 0xfc646a6f79bc6610, 0xfded621265eaf980, 0xff3e211d407d4730,
];

/// What a person reads or the club is made of. The lock file names crates, whose names
/// are not ours.
const READ: &[&str] = &[
    "Cargo.toml",
    "DEVELOPERS.md",
    "README.md",
    ".packaging",
    "migrations",
    "seed-data",
    "src",
    "static",
    "templates",
    "tests",
];

fn fingerprint(word: &str) -> u64 {
    let word: String = word.chars().filter(|c| c.is_alphanumeric()).collect();
    let digest = Sha256::digest(word.to_lowercase());
    digest[..8]
        .iter()
        .fold(0, |sum, byte| sum << 8 | u64::from(*byte))
}

/// Every word of a text, the parts of a word written InOnePiece, and every two
/// words that stand beside each other, as names of makers often are.
fn words(text: &str) -> BTreeSet<String> {
    let whole: Vec<&str> = text
        .split(|c: char| !c.is_alphanumeric())
        .filter(|word| !word.is_empty())
        .collect();
    let mut all: BTreeSet<String> = whole.iter().map(|&word| word.to_owned()).collect();
    all.extend(whole.windows(2).map(<[&str]>::concat));
    for word in whole {
        let mut part = String::new();
        for c in word.chars() {
            let ends = c.is_uppercase() && part.ends_with(char::is_lowercase) || c.is_numeric();
            if ends && !part.is_empty() {
                all.insert(std::mem::take(&mut part));
            }
            if !c.is_numeric() {
                part.push(c);
            }
        }
        all.insert(part);
    }
    all.retain(|word| word.chars().any(char::is_alphabetic));
    all
}

fn named(text: &str) -> Vec<String> {
    words(text)
        .into_iter()
        .filter(|word| FORBIDDEN.binary_search(&fingerprint(word)).is_ok())
        .collect()
}

fn files(at: &Path, found: &mut Vec<PathBuf>) {
    if at.is_dir() {
        for entry in std::fs::read_dir(at).unwrap() {
            files(&entry.unwrap().path(), found);
        }
    } else {
        found.push(at.to_owned());
    }
}

#[test]
fn no_maker_seller_or_product_is_named() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut all = Vec::new();
    for part in READ {
        files(&root.join(part), &mut all);
    }
    let (mut read, mut found) = (0, Vec::new());
    for path in all {
        // Not our words: a library of the browser tests, which knows a colour of CSS by
        // a name that is also a maker's.
        if path.ends_with("tests/browser/axe/axe.min.js") {
            continue;
        }
        // A picture or a frame is no text.
        let Ok(text) = std::fs::read_to_string(&path) else {
            continue;
        };
        read += 1;
        let path = path.strip_prefix(root).unwrap().display().to_string();
        // A library of others', as it came, with the names of all colours in it.
        if path == "tests/browser/axe/axe.min.js" {
            continue;
        }
        for word in named(&path).into_iter().chain(named(&text)) {
            found.push(format!("{path}: {word}"));
        }
    }
    assert!(read > 500, "only {read} files were read");
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn the_list_is_in_order_and_long_enough() {
    assert!(FORBIDDEN.is_sorted_by(|a, b| a < b));
    assert!(FORBIDDEN.len() > 200, "{}", FORBIDDEN.len());
}

/// With invented names, whose fingerprints are worked out here.
#[test]
fn a_name_is_found_however_it_is_written() {
    let maker = fingerprint("Quorl & Bimby");
    for text in [
        "our QUORL BIMBY tube",
        "the quorl-bimby",
        "struct QuorlBimby;",
        "quorl_bimby_mm",
    ] {
        assert!(
            words(text).iter().any(|word| fingerprint(word) == maker),
            "{text}"
        );
    }
    let product = fingerprint("zorblatt");
    for text in ["ZorblattLens", "a Zorblatt90 of 90 mm", "(zorblatt)"] {
        assert!(
            words(text).iter().any(|word| fingerprint(word) == product),
            "{text}"
        );
    }
    assert!(
        !words("zorb latticed")
            .iter()
            .any(|word| fingerprint(word) == product)
    );
}

#[test]
#[ignore = "prints the fingerprint of NAME"]
fn prints_the_fingerprint_of_a_name() {
    let name = std::env::var("NAME").unwrap();
    println!("0x{:016x},", fingerprint(&name));
}
