//! Complex symmetric linear systems that keep their pattern over all frequencies: LDLᵀ without pivoting.
//!
//! The order of elimination (least fill first) and the pattern of L are found once; every frequency then costs
//! only the arithmetic. Pivoting is not needed for passive networks: the real part of Y is positive
//! semidefinite, so that no leading minor vanishes while there is any loss.

use num_complex::Complex64;

/// Pattern and order of a symmetric system.
#[derive(Debug, Clone)]
pub struct Pattern {
    size: usize,
    /// `place[i]`: where the original row i stands in the order of elimination.
    place: Vec<usize>,
    /// Per column of L (in order): the rows below the diagonal and their slots.
    column: Vec<Vec<(usize, usize)>>,
    /// Updates per column k: (slot of L[i,k], slot of L[j,k], slot of target (i,j)), i ≥ j > k.
    update: Vec<Vec<(usize, usize, usize)>>,
    /// Slot of each original pair: diagonal slots are 0..size.
    slot: std::collections::HashMap<(usize, usize), usize>,
    slots: usize,
}

impl Pattern {
    /// From the pairs of rows that an element joins.
    #[must_use]
    pub fn new(size: usize, pairs: &[(usize, usize)]) -> Self {
        use std::collections::BTreeSet;
        let mut near: Vec<BTreeSet<usize>> = vec![BTreeSet::new(); size];
        for &(a, b) in pairs {
            if a != b {
                near[a].insert(b);
                near[b].insert(a);
            }
        }
        let mut left: BTreeSet<(usize, usize)> = (0..size).map(|i| (near[i].len(), i)).collect();
        let mut place = vec![0; size];
        let mut order = Vec::with_capacity(size);
        let mut below = Vec::with_capacity(size);
        while let Some((_, row)) = left.pop_first() {
            place[row] = order.len();
            order.push(row);
            let around: Vec<usize> = near[row].iter().copied().collect();
            for &a in &around {
                left.remove(&(near[a].len(), a));
            }
            for &a in &around {
                near[a].remove(&row);
                for &b in &around {
                    if a != b {
                        near[a].insert(b);
                    }
                }
            }
            for &a in &around {
                left.insert((near[a].len(), a));
            }
            below.push(around);
        }
        let mut slots = size;
        let mut index = std::collections::HashMap::new();
        let mut column = Vec::with_capacity(size);
        for (k, rows) in below.iter().enumerate() {
            let mut entries = Vec::with_capacity(rows.len());
            for &row in rows {
                index.insert((place[row], k), slots);
                entries.push((place[row], slots));
                slots += 1;
            }
            entries.sort_unstable();
            column.push(entries);
        }
        let mut update = Vec::with_capacity(size);
        for entries in &column {
            let mut list = Vec::new();
            for (n, &(j, slot_j)) in entries.iter().enumerate() {
                for &(i, slot_i) in &entries[n..] {
                    let target = if i == j { j } else { index[&(i, j)] };
                    list.push((slot_i, slot_j, target));
                }
            }
            update.push(list);
        }
        let mut slot = std::collections::HashMap::new();
        for (a, &at) in place.iter().enumerate() {
            slot.insert((a, a), at);
        }
        for &(a, b) in pairs {
            if a != b {
                let (i, j) = (place[a].max(place[b]), place[a].min(place[b]));
                slot.insert((a, b), index[&(i, j)]);
                slot.insert((b, a), index[&(i, j)]);
            }
        }
        Self {
            size,
            place,
            column,
            update,
            slot,
            slots,
        }
    }

    /// Number of rows.
    #[must_use]
    pub fn size(&self) -> usize {
        self.size
    }

    /// Number of slots that a matrix of this pattern needs.
    #[must_use]
    pub fn slots(&self) -> usize {
        self.slots
    }

    /// Slot of an entry that was named when the pattern was made.
    #[must_use]
    pub fn slot(&self, a: usize, b: usize) -> Option<usize> {
        self.slot.get(&(a, b)).copied()
    }

    /// Factorises in place; diagonal slots then hold 1/D.
    pub fn factorise(&self, value: &mut [Complex64]) {
        for k in 0..self.size {
            let inverse = value[k].inv();
            value[k] = inverse;
            let entries = &self.column[k];
            if let [(j, slot)] = entries[..] {
                // A junction with one neighbour left: the usual case in a ladder.
                let l = value[slot];
                let scaled = l * inverse;
                value[j] -= l * scaled;
                value[slot] = scaled;
                continue;
            }
            for &(slot_i, slot_j, target) in &self.update[k] {
                let change = value[slot_i] * value[slot_j] * inverse;
                value[target] -= change;
            }
            for &(_, slot) in entries {
                value[slot] *= inverse;
            }
        }
    }

    /// Solves with a factorised matrix; `x` holds the right-hand side in original order and then the solution.
    /// `work` has `size` entries.
    pub fn solve(&self, value: &[Complex64], x: &mut [Complex64], work: &mut [Complex64]) {
        for (row, &place) in self.place.iter().enumerate() {
            work[place] = x[row];
        }
        for k in 0..self.size {
            let known = work[k];
            for &(i, slot) in &self.column[k] {
                work[i] -= value[slot] * known;
            }
        }
        for k in (0..self.size).rev() {
            let mut sum = work[k] * value[k];
            for &(i, slot) in &self.column[k] {
                sum -= value[slot] * work[i];
            }
            work[k] = sum;
        }
        for (row, &place) in self.place.iter().enumerate() {
            x[row] = work[place];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: the solution of a random symmetric system, with loops, gives back the right-hand side.
    #[test]
    fn a_looped_network_solves() {
        let pairs = [(0, 1), (1, 2), (2, 3), (3, 0), (1, 4), (4, 2), (5, 3)];
        let pattern = Pattern::new(6, &pairs);
        let mut dense = [[Complex64::new(0.0, 0.0); 6]; 6];
        let mut value = vec![Complex64::new(0.0, 0.0); pattern.slots()];
        for (n, &(a, b)) in pairs.iter().enumerate() {
            let y = Complex64::new(1.0 + n as f64, 0.3 * n as f64 - 1.0);
            for (i, j, sign) in [(a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)] {
                dense[i][j] += y * sign;
                if i <= j {
                    value[pattern.slot(i, j).unwrap()] += y * sign;
                }
            }
        }
        for (i, row) in dense.iter_mut().enumerate() {
            for (j, entry) in row.iter().enumerate().take(i) {
                // The pair (3, 0) has i > j in one order only; make both forms agree.
                if let Some(slot) = pattern.slot(i, j) {
                    value[slot] = *entry;
                }
            }
            row[i] += Complex64::new(0.5, 0.2);
            value[pattern.slot(i, i).unwrap()] += Complex64::new(0.5, 0.2);
        }
        pattern.factorise(&mut value);
        let right: Vec<Complex64> = (0..6).map(|i| Complex64::new(i as f64, 1.0)).collect();
        let mut x = right.clone();
        pattern.solve(&value, &mut x, &mut [Complex64::new(0.0, 0.0); 6]);
        for i in 0..6 {
            let sum: Complex64 = (0..6).map(|j| dense[i][j] * x[j]).sum();
            // Round-off of a 6×6 system with condition below 100.
            assert!((sum - right[i]).norm() < 1e-12, "{i}: {sum} {}", right[i]);
        }
    }
}
