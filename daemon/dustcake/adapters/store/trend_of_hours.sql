-- Parts of a trend: least, weighted sum, weight and greatest of dP.
SELECT CAST((at_s - :since) / :width AS INTEGER) AS part,
    min(dp_min_pa), total(dp_sum_pa), total(good), max(dp_max_pa)
FROM (SELECT *, hour * 3600.0 AS at_s FROM hours WHERE hour >= :first_hour)
WHERE collector = :collector AND at_s >= :since AND at_s < :until
GROUP BY part ORDER BY part
