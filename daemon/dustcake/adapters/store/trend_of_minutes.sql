-- Parts of a trend: least, weighted sum, weight and greatest of dP. Anything else than a number is
-- no reading, or a damaged one.
SELECT CAST((at_s - :since) / :width AS INTEGER) AS part,
    min(dp_min_pa), total(dp_sum_pa), total(good), max(dp_max_pa)
FROM (
    SELECT collector, utc_s AS at_s,
        dp_min_pa, dp_mean_pa * good AS dp_sum_pa, dp_max_pa,
        iif(dp_mean_pa IS NULL, 0, good) AS good
    FROM minutes
    WHERE n >= (
        SELECT min(first_n) FROM hours WHERE collector = :collector AND hour >= :first_hour
    )
)
WHERE collector = :collector AND at_s >= :since AND at_s < :until
GROUP BY part
HAVING typeof(min(dp_min_pa)) = 'real' AND typeof(max(dp_max_pa)) = 'real' AND total(good)
ORDER BY part
