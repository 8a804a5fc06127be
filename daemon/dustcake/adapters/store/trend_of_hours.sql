-- Parts of a trend: least, weighted sum, weight and greatest of dP. Anything else than a number is
-- no reading, or a damaged one.
SELECT CAST((at_s - :since) / :width AS INTEGER) AS part,
    min(dp_min_pa), total(dp_sum_pa), total(good), max(dp_max_pa)
FROM (SELECT *, hour * 3600.0 AS at_s FROM hours WHERE hour >= :first_hour)
WHERE collector = :collector AND at_s >= :since AND at_s < :until
GROUP BY part
HAVING typeof(min(dp_min_pa)) = 'real' AND typeof(max(dp_max_pa)) = 'real' AND total(good)
ORDER BY part
