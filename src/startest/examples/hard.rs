#![cfg_attr(rustfmt, rustfmt_skip)]
//! Dev only: scores a folder of truth.json.
use startest::decode::{FrameReader, Limits};
use startest::frame::*;
use startest::measure::*;
use std::ops::ControlFlow;
fn cpu() -> f64 { let s = std::fs::read_to_string("/proc/self/stat").unwrap(); let v: Vec<&str> = s.rsplit(')').next().unwrap().split_whitespace().collect(); (v[11].parse::<f64>().unwrap() + v[12].parse::<f64>().unwrap()) * 10.0 }
fn frames_of(files: &[std::path::PathBuf]) -> Vec<Result<Frame, Unreadable>> {
    let bad = |e: String| Unreadable { name: "x".into(), code: "x".into(), text: e, mend: "".into() };
    files.iter().flat_map(|path| match FrameReader::open(path, &Limits::default()) {
        Ok(r) => r.map(|f| f.map_err(|e| bad(e.to_string()))).collect::<Vec<_>>(),
        Err(e) => vec![Err(bad(e.to_string()))],
    }).collect()
}
fn main() {
    let args: Vec<String> = std::env::args().collect();
    let folder = std::path::Path::new(&args[1]);
    let filter = args.get(2).cloned().unwrap_or_default();
    let reps: usize = args.get(3).map_or(1, |v| v.parse().unwrap());
    let truth: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(folder.join("truth.json")).unwrap()).unwrap();
    let mut all: Vec<(String, f64, [f64; 2], f64, f64)> = vec![];
    let mut refused: Vec<String> = vec![];
    let env = |k: &str| std::env::var(k).ok();
    for c in truth["cases"].as_array().unwrap() {
        let id = c["id"].as_str().unwrap();
        if !id.contains(&filter) { continue; }
        let o = c.get("told");
        let opt = |k: &str| o.and_then(|o| o.get(k)).or(c.get(k)).and_then(|v| v.as_f64());
        let (Some(ap), Some(fo)) = (opt("aperture_mm"), opt("focal_mm")) else { continue };
        let side = match o.and_then(|o| o["side"].as_str()).or(c["defocus_side"].as_str()) { Some("inside" | "intra") => Side::Inside, Some("outside" | "extra") => Side::Outside, _ => Side::Unknown };
        let setup = Setup {
            aperture_mm: ap, focal_mm: fo, obstruction: opt("obstruction").unwrap(), pixel_um: opt("pixel_um").unwrap(),
            wavelength_nm: o.and_then(|o| o["wavelength_nm"].as_f64()).unwrap_or(550.0),
            bandwidth_nm: o.and_then(|o| o["bandwidth_nm"].as_f64()).unwrap_or(100.0),
            side,
            vanes: o.and_then(|o| o["vanes"].as_object()).map(|v| Vanes { count: v["count"].as_u64().unwrap() as u32, width_mm: v["width_mm"].as_f64().unwrap(), clock_deg: v["clock_deg"].as_f64().unwrap_or(0.0) }),
        };
        let list = |v: &serde_json::Value| v.as_array().map(|f| f.iter().map(|f| folder.join(f.as_str().unwrap())).collect::<Vec<_>>());
        let f = &c["files"];
        let (ins, outs) = (list(&f["inside"]), list(&f["outside"]));
        let one = list(f).or(c["file"].as_str().map(|f| vec![folder.join(f)]));
        let mut opts = Options::default();
        if let Some(v) = env("FLOOR") { opts.fit_options.model_floor = v.parse().unwrap(); }
        if env("HELD").is_some() { opts.fit_options.response_sigma = 0.0; opts.fit_options.focal_sigma = 0.0; }
        let mut out = None;
        let t = cpu();
        for _ in 0..reps {
            let mut go = |_| ControlFlow::Continue(());
            out = match (&ins, &outs, &one) {
                (Some(i), Some(u), _) => Some(measure_pair(frames_of(i), frames_of(u), &setup, &opts, &mut go)),
                (_, _, Some(f)) => Some(measure_with(frames_of(f), &setup, &opts, &mut go)),
                _ => None,
            };
        }
        let ms = (cpu() - t) / reps as f64;
        let Some(out) = out else { println!("{id} no files"); continue };
        let r = &out.report;
        if let (Some(dir), Some(st)) = (env("DUMP"), &out.stack) {
            let put = |name: &str, v: &[f64]| std::fs::write(format!("{dir}/{id}.{name}"), v.iter().flat_map(|x| (*x as f32).to_le_bytes()).collect::<Vec<u8>>()).unwrap();
            put("data", &st.stamp.data); put("sigma", &st.stamp.sigma);
            if let Some(f) = &out.fitted { put("model", &f.pictures[out.fitted.as_ref().unwrap().pictures.len() - 1].model); }
        }
        let must = c["must_refuse"].as_bool().unwrap_or(false);
        match &r.wavefront {
            None => {
                let codes: Vec<String> = r.reasons.iter().map(|x| x.code.clone()).collect();
                println!("{id:14} {} {} {ms:6.0} ms {}", if must { "ok-refused" } else { "REFUSED" }, codes.join(","), r.reasons.first().map_or("", |x| &x.text));
                if !must { refused.push(id.to_owned()); }
            }
            Some(w) => {
                let z = &c["zernike_noll_waves_rms"];
                let (a7, a8) = (z["Z7"].as_f64().unwrap_or(f64::NAN), z["Z8"].as_f64().unwrap_or(f64::NAN));
                let d = [w.coma_x_waves - a8, w.coma_y_waves - a7];
                let s = w.coma_component_sigma_waves;
                let atm = c["atm_coma_mean"].as_array().map(|a| [a[0].as_f64().unwrap(), a[1].as_f64().unwrap()]);
                let fit = r.fit.as_ref();
                let air = r.air.as_ref();
                let ph = c["photon_floor"][0].as_f64().unwrap_or(0.0);
                println!("{id:14} {} err {:.4} [{:+.4} {:+.4}] sig {:.4} pull {:+.2} {:+.2} ph {ph:.4} | air {} beyond {} | {} used {} chi2 {:.2} unx {:.3} fwhm {:.2} D/r0 {:.2} ({:.2}) off {:?} eps {:?} fs {:?} resp {:?} wf {:?} sc {:?} res {:?} told {:?} work {:?} {ms:6.0} ms {}", if must {"TRAP"} else {""},
                    d[0].hypot(d[1]), d[0], d[1], s, d[0]/s, d[1]/s,
                    atm.map_or("-".into(), |a| format!("{:.4}", a[0].hypot(a[1]))),
                    atm.map_or("-".into(), |a| format!("{:.4}", (d[0]-a[0]).hypot(d[1]-a[1]))),
                    w.method.split(' ').next().unwrap(), r.frames.used,
                    fit.map_or(0.0, |f| f.chi2 / f.degrees_of_freedom as f64),
                    fit.map_or(0.0, |f| f.pictures[0].unexplained_share),
                    fit.map_or(0.0, |f| f.pictures[0].blur_fwhm_px),
                    air.map_or(0.0, |a| a.d_over_r0), c["D_over_r0_500"].as_f64().or(c["d_over_r0_500"].as_f64()).or(c["d_over_r0"].as_f64()).unwrap_or(0.0),
                    air.and_then(|a| a.coma_taken_off_waves).map(|v| v.map(|x| (x*1e4).round()/1e4)),
                    fit.map(|f| ((f.obstruction-setup.obstruction)*1e3).round()/1e3),
                    fit.and_then(|f| f.focal_scale).map(|x| (x*1e3).round()/1e3), fit.and_then(|f| f.response).map(|x| (x*1e3).round()/1e3),
                    (w.defocus_waves.abs()*100.0).round()/100.0,
                    fit.and_then(|f| f.scatter_sigma_waves).map(|x| (x*1e4).round()/1e4),
                    fit.map(|f| (f.residual_sigma_waves*1e4).round()/1e4),
                    fit.map(|f| (f.told_doubt_waves*1e4).round()/1e4),
                    out.fitted.as_ref().map(|f| (f.work.pictures, f.work.slopes, f.work.transform_size)),
                    r.notes.iter().map(|n| n.code.as_str()).collect::<Vec<_>>().join(","),
                );
                if must { continue; }
                let kind: String = id.chars().take_while(|c| c.is_alphabetic()).collect();
                all.push((kind, d[0].hypot(d[1]), [d[0]/s, d[1]/s], ms, atm.map_or(0.0, |a| a[0].hypot(a[1]))));
            }
        }
    }
    let mut kinds: Vec<String> = all.iter().map(|a| a.0.clone()).collect();
    kinds.sort(); kinds.dedup();
    for k in kinds {
        let q = |v: &[f64], s: f64| v[((v.len()-1) as f64 * s).round() as usize];
        let mut e: Vec<f64> = all.iter().filter(|a| a.0 == k).map(|a| a.1).collect(); e.sort_by(f64::total_cmp);
        let mut fl: Vec<f64> = all.iter().filter(|a| a.0 == k).map(|a| a.4).collect(); fl.sort_by(f64::total_cmp);
        let p: Vec<f64> = all.iter().filter(|a| a.0 == k).flat_map(|a| a.2).collect();
        let rms = (p.iter().map(|x| x*x).sum::<f64>() / p.len() as f64).sqrt();
        let c68 = p.iter().filter(|x| x.abs() < 1.0).count() as f64 / p.len() as f64;
        let c95 = p.iter().filter(|x| x.abs() < 1.96).count() as f64 / p.len() as f64;
        let mut t: Vec<f64> = all.iter().filter(|a| a.0 == k).map(|a| a.3).collect(); t.sort_by(f64::total_cmp);
        println!("== {k:12} n {} median {:.4} p90 {:.4} worst {:.4} (air {:.4} {:.4}) pulls rms {rms:.2} 68: {c68:.2} 95: {c95:.2} ms {:.0} max {:.0}", e.len(), q(&e,0.5), q(&e,0.9), e[e.len()-1], q(&fl,0.5), q(&fl,0.9), q(&t,0.5), t[t.len()-1]);
    }
    println!("refused {refused:?}");
}
