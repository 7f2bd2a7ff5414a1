//! Marks beside ringed points, none over another.

use crate::pictures::layout::{LABEL, Placed, Room};
use crate::pictures::letters::width;

/// Radius of a ring and of a point, px.
pub(super) const RING: f64 = 9.0;
const POINT: f64 = 4.0;
/// Rings that are closer than this to one with the same mark share it, px.
const SHARED: f64 = 46.0;
/// Steps upward and downward that a mark may go away from its ring.
const STEPS: u32 = 14;

/// Where marks stand.
#[derive(Debug, Default)]
pub(super) struct Marks {
    /// By the number of the ring; none where a ring shares one or has no room.
    pub(super) placed: Vec<Option<Placed>>,
    /// Rings that share the mark of a ring before them.
    pub(super) shared: usize,
    /// Rings without room for a mark.
    pub(super) left_out: usize,
}

/// Finds a place for the mark of every ring: beside it, else above or below it, where no other mark is and, if possible, no point.
pub(super) fn place(rings: &[((f64, f64), &str)], points: &[(f64, f64)], field: &Room) -> Marks {
    let disc = |(x, y): (f64, f64), r: f64| Room { left: x - r, top: y - r, right: x + r, bottom: y + r };
    let drawn: Vec<Room> =
        points.iter().map(|at| disc(*at, POINT)).chain(rings.iter().map(|(at, _)| disc(*at, RING))).collect();
    let mut marks = Marks::default();
    let mut taken: Vec<(Room, (f64, f64), &str)> = Vec::new();
    for (at, mark) in rings {
        // One that is far below or above is on another curve.
        let near = |other: &(f64, f64)| (at.0 - other.0).abs() < SHARED && (at.1 - other.1).abs() < 2.0 * SHARED;
        let same = |(_, ring, known): &&(Room, (f64, f64), &str)| known == mark && near(ring);
        if taken.iter().rev().find(same).is_some() {
            marks.shared += 1;
            marks.placed.push(None);
            continue;
        }
        let wide = width(mark, LABEL);
        let rooms: Vec<Room> = candidates(*at, wide).map(|corner| Room::of(mark, corner, LABEL)).collect();
        let free = |room: &&Room| room.inside(field) && taken.iter().all(|(other, ..)| !other.meets(room));
        let clear = |room: &&Room| drawn.iter().all(|other| !other.meets(room));
        let found = rooms.iter().filter(free).find(clear).or_else(|| rooms.iter().find(free)).copied();
        match found {
            Some(room) => {
                taken.push((room, *at, mark));
                marks.placed.push(Some(Placed { text: (*mark).to_owned(), at: (room.left, room.top) }));
            }
            None => {
                marks.left_out += 1;
                marks.placed.push(None);
            }
        }
    }
    marks
}

/// Left upper corners of a mark, the best first.
fn candidates((x, y): (f64, f64), wide: f64) -> impl Iterator<Item = (f64, f64)> {
    let (up, down) = (y - RING - LABEL + 3.0, y + RING - 3.0);
    let beside =
        [(x + RING + 1.0, up), (x - RING - 1.0 - wide, up), (x + RING + 1.0, down), (x - RING - 1.0 - wide, down)];
    let away = (0..STEPS).flat_map(move |step| {
        let far = RING + 2.0 + f64::from(step) * (LABEL + 1.0);
        [(x - wide / 2.0, y - far - LABEL), (x - wide / 2.0, y + far)]
    });
    beside.into_iter().chain(away)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIELD: Room = Room { left: 60.0, top: 40.0, right: 900.0, bottom: 400.0 };

    #[test]
    fn neighbours_share_a_mark_and_others_keep_apart() {
        let rings = [((100.0, 200.0), "2"), ((110.0, 202.0), "2"), ((120.0, 201.0), "1,2"), ((130.0, 203.0), "3")];
        let at: Vec<(f64, f64)> = rings.iter().map(|(at, _)| *at).collect();
        let marks = place(&rings, &at, &FIELD);
        assert_eq!((marks.shared, marks.left_out), (1, 0));
        let rooms: Vec<Room> = marks.placed.iter().flatten().map(|one| Room::of(&one.text, one.at, LABEL)).collect();
        assert_eq!(rooms.len(), 3);
        for (number, one) in rooms.iter().enumerate() {
            assert!(one.inside(&FIELD) && rooms[number + 1..].iter().all(|other| !other.meets(one)), "{rooms:?}");
        }
    }

    #[test]
    fn a_mark_in_a_corner_stays_in_the_field() {
        for corner in [(60.0, 40.0), (900.0, 40.0), (60.0, 400.0), (900.0, 400.0)] {
            let marks = place(&[(corner, "beyond h")], &[corner], &FIELD);
            let placed = marks.placed[0].as_ref().unwrap();
            assert!(Room::of(&placed.text, placed.at, LABEL).inside(&FIELD), "{corner:?}: {placed:?}");
        }
    }
}
