-- verification: fittings with any final response
-- grain: {by}
-- input: fits (fitted ears only)
-- output: n_fittings, n_verified
SELECT {by} COUNT(*) AS n_fittings, COUNT(*) FILTER (WHERE verified) AS n_verified
FROM fits
{group_by}
{order_by}
