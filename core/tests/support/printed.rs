//! A reader of printed formulae: numbers, cells, + - x * /, parentheses and named functions. It knows nothing of nodes.

/// What is left to read.
pub struct Printed<'a> {
    rest: &'a str,
    table: &'a dyn Fn(f64) -> f64,
    cell: &'a dyn Fn(&str) -> f64,
}

impl<'a> Printed<'a> {
    /// Value of a formula with numbers put in.
    pub fn value(text: &'a str, table: &'a dyn Fn(f64) -> f64) -> f64 {
        Self { rest: text, table, cell: &|cell| panic!("{cell} is no number") }.whole()
    }

    /// Value of a formula of cells.
    pub fn in_cells(text: &'a str, cell: &'a dyn Fn(&str) -> f64) -> f64 {
        Self { rest: text, table: &|_| panic!("no table here"), cell }.whole()
    }

    fn whole(mut self) -> f64 {
        let value = self.sum();
        assert!(self.rest.trim().is_empty(), "{} is left", self.rest);
        value
    }

    fn take(&mut self, sign: &str) -> bool {
        let rest = self.rest.trim_start();
        let found = rest.strip_prefix(sign);
        self.rest = found.unwrap_or(rest);
        found.is_some()
    }

    fn sum(&mut self) -> f64 {
        let mut sum = self.product();
        loop {
            if self.take("+") {
                sum += self.product();
            } else if self.take("-") {
                sum -= self.product();
            } else {
                return sum;
            }
        }
    }

    fn product(&mut self) -> f64 {
        let mut product = self.factor();
        loop {
            if self.take("x") || self.take("*") {
                product *= self.factor();
            } else if self.take("/") {
                product /= self.factor();
            } else {
                return product;
            }
        }
    }

    fn factor(&mut self) -> f64 {
        if self.take("-") {
            return -self.factor();
        }
        if self.take("(") {
            let value = self.sum();
            assert!(self.take(")"), "no ) before {}", self.rest);
            return value;
        }
        let end = self.rest.find(|c: char| !c.is_ascii_alphanumeric() && c != '.').unwrap_or(self.rest.len());
        let (word, rest) = self.rest.split_at(end);
        self.rest = rest;
        if let Ok(number) = word.parse() {
            return number;
        }
        if !self.take("(") {
            return (self.cell)(word);
        }
        let mut of = vec![self.sum()];
        while self.take(",") {
            of.push(self.sum());
        }
        assert!(self.take(")"), "no ) before {}", self.rest);
        self.function(word, &of)
    }

    fn function(&self, name: &str, of: &[f64]) -> f64 {
        let n = of.len() as f64;
        let mean = of.iter().sum::<f64>() / n;
        match name {
            "sqrt" | "SQRT" => of[0].sqrt(),
            "mean" | "AVERAGE" => mean,
            "max" | "MAX" => of.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            "s" | "STDEV" => (of.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt(),
            "median" | "MEDIAN" => {
                let mut sorted = of.to_vec();
                sorted.sort_by(f64::total_cmp);
                (sorted[(of.len() - 1) / 2] + sorted[of.len() / 2]) / 2.0
            }
            "table" => (self.table)(of[0]),
            other => panic!("{other} is no function"),
        }
    }
}
