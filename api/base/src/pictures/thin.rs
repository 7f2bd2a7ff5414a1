//! Long series are thinned to what a picture can show.

use crate::pictures::Point;

/// Points a person can see: in each of `columns` upright strips the first, the lowest, the highest and the last, and every
/// point that is marked or left out, in their order. A series that fits is returned as it is.
#[must_use]
pub fn thin<T>(points: &[T], columns: usize, range: (f64, f64), look: impl Fn(&T) -> Look) -> Vec<usize> {
    if points.len() <= 4 * columns || columns == 0 {
        return (0..points.len()).collect();
    }
    let width = (range.1 - range.0) / columns as f64;
    let column = |x: f64| (((x - range.0) / width).max(0.0) as usize).min(columns - 1);
    let mut strips: Vec<Option<Strip>> = vec![None; columns];
    let mut kept = Vec::new();
    for (index, point) in points.iter().enumerate() {
        let Look { x, y, keep } = look(point);
        if keep {
            kept.push(index);
        }
        let strip =
            strips[column(x)].get_or_insert(Strip { first: index, last: index, low: (y, index), high: (y, index) });
        strip.last = index;
        if y < strip.low.0 {
            strip.low = (y, index);
        }
        if y > strip.high.0 {
            strip.high = (y, index);
        }
    }
    kept.extend(strips.into_iter().flatten().flat_map(|strip| [strip.first, strip.low.1, strip.high.1, strip.last]));
    kept.sort_unstable();
    kept.dedup();
    kept
}

/// What thinning must know of a point.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    /// Where.
    pub x: f64,
    /// Value.
    pub y: f64,
    /// Whether it must be seen whatever its neighbours are.
    pub keep: bool,
}

impl From<&Point> for Look {
    fn from(point: &Point) -> Self {
        Self { x: point.x, y: point.y, keep: !point.mark.is_empty() || point.hollow }
    }
}

#[derive(Debug, Clone, Copy)]
struct Strip {
    first: usize,
    last: usize,
    low: (f64, usize),
    high: (f64, usize),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_and_marked_points_survive_thinning() {
        let series: Vec<(f64, f64, bool)> = (0..100_000_u32)
            .map(|i| {
                let y = match i {
                    31_337 => 9.0,
                    77_777 => -9.0,
                    _ => f64::from(i % 7),
                };
                (f64::from(i), y, i == 50_001 || i == 99_998)
            })
            .collect();
        let look = |p: &(f64, f64, bool)| Look { x: p.0, y: p.1, keep: p.2 };
        let kept = thin(&series, 800, (0.0, 99_999.0), look);
        assert!(kept.len() <= 4 * 800 + 2, "{}", kept.len());
        for index in [0, 31_337, 77_777, 50_001, 99_998, 99_999] {
            assert!(kept.binary_search(&index).is_ok(), "{index}");
        }
        assert!(kept.is_sorted());
        assert_eq!(thin(&series[..3000], 800, (0.0, 2999.0), look).len(), 3000, "a series that fits is left alone");
    }
}
