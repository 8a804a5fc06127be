-- Hours follow the minutes by themselves, so that a trend of a year need not read half a
-- million rows. From `first_n` to `last_n` lie the minutes of that hour; sums are weighted by
-- `good` readings of dP, and by the `polls` of minutes with header pressure.
CREATE TABLE hours (
    collector TEXT NOT NULL,
    hour INTEGER NOT NULL,
    first_n INTEGER NOT NULL,
    last_n INTEGER NOT NULL,
    good INTEGER NOT NULL,
    dp_min_pa REAL,
    dp_sum_pa REAL NOT NULL,
    dp_max_pa REAL,
    polls INTEGER NOT NULL,
    header_min_pa REAL,
    header_sum_pa REAL NOT NULL,
    header_max_pa REAL,
    PRIMARY KEY (collector, hour)
) WITHOUT ROWID;
CREATE TRIGGER hours_follow AFTER INSERT ON minutes WHEN typeof(NEW.utc_s) = 'real' BEGIN
    INSERT INTO hours (collector, hour, first_n, last_n, good, dp_sum_pa, polls, header_sum_pa)
        SELECT NEW.collector, CAST(NEW.utc_s / 3600 AS INTEGER), NEW.n, NEW.n, 0, 0, 0, 0
        WHERE NOT EXISTS (
            SELECT 1 FROM hours
            WHERE collector = NEW.collector AND hour = CAST(NEW.utc_s / 3600 AS INTEGER)
        );
    UPDATE hours SET
        last_n = max(last_n, NEW.n),
        good = good + iif(NEW.dp_mean_pa IS NULL, 0, NEW.good),
        dp_min_pa = coalesce(min(dp_min_pa, NEW.dp_min_pa), dp_min_pa, NEW.dp_min_pa),
        dp_sum_pa = dp_sum_pa + coalesce(NEW.dp_mean_pa * NEW.good, 0),
        dp_max_pa = coalesce(max(dp_max_pa, NEW.dp_max_pa), dp_max_pa, NEW.dp_max_pa),
        polls = polls + iif(NEW.header_mean_pa IS NULL, 0, NEW.polls),
        header_min_pa =
            coalesce(min(header_min_pa, NEW.header_min_pa), header_min_pa, NEW.header_min_pa),
        header_sum_pa = header_sum_pa + coalesce(NEW.header_mean_pa * NEW.polls, 0),
        header_max_pa =
            coalesce(max(header_max_pa, NEW.header_max_pa), header_max_pa, NEW.header_max_pa)
    WHERE collector = NEW.collector AND hour = CAST(NEW.utc_s / 3600 AS INTEGER);
END;
INSERT INTO hours
    SELECT
        collector, CAST(utc_s / 3600 AS INTEGER), min(n), max(n),
        coalesce(sum(iif(dp_mean_pa IS NULL, 0, good)), 0),
        min(dp_min_pa), total(dp_mean_pa * good), max(dp_max_pa),
        coalesce(sum(iif(header_mean_pa IS NULL, 0, polls)), 0),
        min(header_min_pa), total(header_mean_pa * polls), max(header_max_pa)
    FROM minutes WHERE typeof(utc_s) = 'real' GROUP BY 1, 2;
